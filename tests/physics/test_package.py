"""The formulas as a package: what it leans on, and how fast the ones in the loop are."""

from __future__ import annotations

import subprocess
import sys
import timeit

import pytest

from hiltest.physics import thermal, thermistor
from hiltest.physics.line import LineNetwork, Tap, Terminator, misread_probability

MODULES = ["copper", "line", "edges", "motion", "statistics", "binomial", "tach", "thermal", "thermistor"]


def test_the_formulas_lean_on_numpy_and_errors_alone() -> None:
    """A fresh interpreter that imports them all has loaded nothing else of hiltest, and no scipy."""
    imports = "; ".join(f"import hiltest.physics.{name}" for name in MODULES)
    program = (
        f"import sys; {imports}; "
        "ours = {n for n in sys.modules if n.startswith('hiltest') and not n.startswith('hiltest.physics')}; "
        "assert ours == {'hiltest', 'hiltest.errors'}, ours; "
        "assert not {'scipy', 'can', 'canopen', 'pydantic'} & set(sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


LINE = LineNetwork((Tap("a"), Tap("b", 5.0)), (Terminator(0.0), Terminator(5.0)))
PART = thermistor.NtcBeta(100e3, 3950.0)
DIVIDER = thermistor.Divider(4700.0)
DRIVING = frozenset({"a"})


@pytest.mark.parametrize(
    "call",
    [
        lambda: PART.resistance_ohm(57.0),
        lambda: PART.temperature_c(5000.0),
        lambda: DIVIDER.code(5000.0, 0.3),
        lambda: thermal.first_order(20.0, 80.0, 0.01, 3.0),
        lambda: LINE.differential_v(DRIVING),
        lambda: misread_probability(2.0, 0.1, dominant=True),
    ],
    ids=["resistance", "temperature", "code", "lag", "line", "misread"],
)
def test_calls_of_the_simulated_loop_cost_microseconds(call: object) -> None:
    """At most 25 us each: they are called every 10 ms of simulated time for every load."""
    call()
    assert min(timeit.repeat(call, number=200, repeat=5)) / 200 < 25e-6
