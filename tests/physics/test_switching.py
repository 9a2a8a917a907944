"""What switching loads put into a pair, and how many bits are misread by it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from hiltest.errors import UsageError
from hiltest.physics.line import coupled_noise_v, misread_probability
from hiltest.physics.switching import (
    PULSE_SPREAD,
    Pulses,
    fan_switching,
    heater_switching,
    pulsed_misread_probability,
    pulses_in_pair,
    stepper_switching,
)


def test_without_pulses_it_is_the_plain_probability() -> None:
    """Both kinds of bit."""
    for dominant, level_v in ((True, 1.0), (False, 0.4)):
        plain = misread_probability(level_v, 0.2, dominant=dominant)
        assert pulsed_misread_probability(level_v, 0.2, (), dominant=dominant) == plain


@pytest.mark.parametrize(("level_v", "dominant"), [(0.0, False), (2.0, True)])
def test_pulses_against_the_normal_distribution_of_scipy(level_v: float, dominant: bool) -> None:
    """Half of the pulses stand towards the threshold, with a quarter of their height as spread. Source: scipy.stats.norm."""
    peak_v, share = 1.2, 0.01
    margin_v = abs(level_v - 0.7)
    towards = norm.sf((margin_v - peak_v) / (PULSE_SPREAD * peak_v))
    away = norm.sf((margin_v + peak_v) / (PULSE_SPREAD * peak_v))
    found = pulsed_misread_probability(level_v, 0.0, [Pulses(peak_v, share)], dominant=dominant)
    assert found == pytest.approx(share * 0.5 * (towards + away), rel=1e-9)


def test_pulses_against_drawn_samples() -> None:
    """A million samples at random moments; the seed is fixed."""
    rng = np.random.default_rng(5)
    count, peak_v, share = 1_000_000, 0.8, 0.05
    hit = rng.random(count) < share
    height_v = rng.normal(peak_v, PULSE_SPREAD * peak_v, count) * rng.choice((-1.0, 1.0), count)
    seen_v = rng.normal(0.0, 0.1, count) + hit * height_v
    drawn = np.count_nonzero(seen_v > 0.7) / count
    found = pulsed_misread_probability(0.0, 0.1, [Pulses(peak_v, share)], dominant=False)
    assert drawn == pytest.approx(found, abs=4 * math.sqrt(found / count))


def test_each_load_has_its_edges() -> None:
    """A heater's current steps with the voltage; a coil's does not; two edges a period."""
    assert heater_switching(24.0, 1.67)[:2] == (24.0, 1.67)
    stepper = stepper_switching(24.0)
    assert (stepper.step_v, stepper.step_a) == (24.0, 0.0)
    fan = fan_switching(5.0, 0.005)
    assert fan.edges_per_s == 50e3  # 25 kHz: Intel, 4-Wire PWM Controlled Fans Specification rev 1.3
    place = {"beside_m": 2.0, "distance_m": 5e-3, "twists_per_m": 0.0}
    peak_v, share = pulses_in_pair(stepper, **place)
    assert share == pytest.approx(stepper.edges_per_s * stepper.edge_s)
    assert peak_v == coupled_noise_v(
        edge_v_per_s=24.0 / stepper.edge_s,
        edge_a_per_s=0.0,
        shared_length_m=2.0,
        distance_m=5e-3,
        twists_per_m=0.0,
    )
    assert fan_switching(5.0, 0.005).edges_per_s < stepper.edges_per_s


def test_bad_arguments_are_named() -> None:
    """Argument and value."""
    with pytest.raises(UsageError, match=r"supply_v=-1"):
        stepper_switching(-1.0)
    with pytest.raises(UsageError, match="threshold_v"):
        pulsed_misread_probability(0.0, 0.1, (), dominant=False, threshold_v=2.0)
