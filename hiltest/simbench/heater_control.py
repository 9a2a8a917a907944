"""What the node's firmware does with sensors and heaters: convert, control, watch, trip.

The firmware only knows what it was built for: nominal curves and a nominal block. What really hangs on the
board may differ, and then it is wrong in the way a real board is wrong.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

NO_VALUE = -0x8000
PERIOD_S = 0.1
BAD_READINGS = 2
NEAR_K = 3.0
OPEN_RATIO, SHORT_RATIO = 0.998, 0.005

STATUS_ON, STATUS_SENSOR, STATUS_CEILING, STATUS_HOST_LOST = 1, 2, 4, 8


@dataclass(slots=True)
class Conversion:
    """The curve that the firmware assumes: an NTC by beta, or platinum above 0 degC by Callendar-Van Dusen."""

    kind: str
    nominal_ohm: float
    beta_k: float
    pull_up_ohm: float
    full_scale: int
    offset_k: float = 0.0

    def celsius(self, code: float) -> float | None:
        """Temperature of a reading in counts; None at either end of the converter."""
        ratio = code / self.full_scale
        if not SHORT_RATIO < ratio < OPEN_RATIO:
            return None
        ohm = self.pull_up_ohm * ratio / (1.0 - ratio)
        if self.kind == "platinum":
            # R = R0 (1 + A t + B t^2), IEC 60751.
            a, b = 3.9083e-3, -5.775e-7
            root = a * a - 4.0 * b * (1.0 - ohm / self.nominal_ohm)
            return (math.sqrt(root) - a) / (2.0 * b) + self.offset_k if root >= 0.0 else None
        inverse = 1.0 / 298.15 + math.log(ohm / self.nominal_ohm) / self.beta_k
        return 1.0 / inverse - 273.15 + self.offset_k if inverse > 0.0 else None


@dataclass(slots=True)
class SensorReading:
    """What the firmware believes of one sensor. `raw` is in tenths of a degree, NO_VALUE without one."""

    conversion: Conversion
    read: Callable[[], float]
    celsius: float | None = None
    raw: int = NO_VALUE
    bad: int = 0

    def sample(self) -> None:
        """Take one reading."""
        self.celsius = self.conversion.celsius(self.read())
        if self.celsius is None:
            self.bad += 1
            self.raw = NO_VALUE
        else:
            self.bad = 0
            self.raw = min(max(round(self.celsius * 10.0), -32_767), 32_767)

    @property
    def failed(self) -> bool:
        """Open or shorted for long enough to be believed."""
        return self.bad >= BAD_READINGS


@dataclass(frozen=True, slots=True)
class Tuning:
    """Constants of the control loop, computed once from the nominal block."""

    gain_per_k: float
    integral_s: float
    lead_s: float
    hold_per_k: float

    @classmethod
    def for_block(cls, power_w: float, heat_capacity_j_k: float, loss_w_k: float) -> Tuning:
        """Internal-model tuning of a plant that nearly integrates: slope P/C, dead time and lag together.

        Source: the lambda / internal-model rules for integrating processes with dead time (Rivera, Morari
        and Skogestad, 1986; from memory), with the sensor's lag answered by a lead on the measurement.
        """
        slope_k_s = power_w / heat_capacity_j_k
        delay_s = 2.0
        gain = 1.0 / (slope_k_s * 2.0 * (delay_s + 1.0))
        return cls(gain, 10.0 * (delay_s + 1.0), 3.0, loss_w_k / power_w)


class HeaterChannel:
    """One heater as the firmware sees it. `apply` sets its transistor's duty (0..1)."""

    def __init__(
        self,
        number: int,
        sensor: SensorReading | None,
        tuning: Tuning,
        ceiling_c: float,
        apply: Callable[[float], None],
    ) -> None:
        self.number = number
        self.sensor = sensor
        self.tuning = tuning
        self.built_ceiling_dc = round(ceiling_c * 10)
        self.ceiling_dc = self.built_ceiling_dc
        self._apply = apply
        self.setpoint_dc = 0
        self.pulse_ms = 0
        self.pulsing = False
        self.pulse_number = 0
        self.output = 0.0
        self.sensor_latched = False
        self.ceiling_latched = False
        self.host_lost = False
        self.watches_ceiling = True
        self.watches_sensor = True
        self.latches = True
        self.trip_reaches_gate = True
        self.held = False
        self._integral = 0.0
        self._slow_c: float | None = None
        self._slope = 0.0

    @property
    def latched(self) -> bool:
        return self.sensor_latched or self.ceiling_latched

    @property
    def status(self) -> int:
        """The bits of object 0x2104."""
        on = self.setpoint_dc > 0 or self.pulsing
        status = STATUS_ON * on | STATUS_SENSOR * self.sensor_latched
        return status | STATUS_CEILING * self.ceiling_latched | STATUS_HOST_LOST * self.host_lost

    def set_output(self, duty: float) -> None:
        """Apply a duty of 0..1."""
        self.output = min(max(duty, 0.0), 1.0)
        self._apply(self.output)

    def off(self) -> None:
        """Output off, setpoint 0, no pulse."""
        self._drop_orders()
        self.set_output(0.0)

    def _drop_orders(self) -> None:
        self.setpoint_dc = 0
        self.pulsing = False
        self.pulse_ms = 0
        self._integral = 0.0

    def _trip(self) -> None:
        """Off by its own watch. A program may clear what it reports here and forget the timer that drives the gate."""
        if self.latches:
            self._drop_orders()
        self.output = 0.0
        if self.trip_reaches_gate:
            self._apply(0.0)

    def forget(self) -> None:
        """The processor was reset: off, and no latch is remembered."""
        self.off()
        self.sensor_latched = self.ceiling_latched = self.host_lost = False
        self.ceiling_dc = self.built_ceiling_dc
        self._slow_c = None
        self._slope = 0.0

    def set_setpoint(self, setpoint_dc: int) -> None:
        """Control towards a temperature in tenths of a degree; 0 is off and takes back what has healed."""
        if setpoint_dc == 0:
            self.off()
            self.acknowledge()
            return
        if self.setpoint_dc == 0:
            self._integral = self.tuning.hold_per_k * max(0.0, setpoint_dc / 10.0 - 25.0)
        self.host_lost = False
        self.pulsing = False
        self.setpoint_dc = setpoint_dc

    def acknowledge(self) -> None:
        """Clear latches whose cause is gone."""
        self.host_lost = False
        if self.sensor is None or not self.sensor.failed:
            self.sensor_latched = False
        if not self._over_ceiling():
            self.ceiling_latched = False

    def _over_ceiling(self) -> bool:
        celsius = self.sensor.celsius if self.sensor else None
        return celsius is not None and celsius * 10.0 > self.ceiling_dc

    def watch(self) -> tuple[bool, bool]:
        """Trip on a bad sensor or the ceiling; returns which of the two tripped just now."""
        sensor_bad = self.watches_sensor and self.sensor is not None and self.sensor.failed
        too_hot = self.watches_ceiling and self._over_ceiling()
        new_sensor, new_ceiling = sensor_bad and not self.sensor_latched, too_hot and not self.ceiling_latched
        self.sensor_latched |= sensor_bad
        self.ceiling_latched |= too_hot
        self.held = sensor_bad or too_hot
        if self.held:
            self._trip()
        elif not self.latches:
            self.sensor_latched = self.ceiling_latched = False
        return new_sensor, new_ceiling

    def _follow_slope(self, celsius: float | None) -> None:
        """Slope by a filtered difference over about one second, so that noise does not reach the heater."""
        if celsius is None or self._slow_c is None:
            self._slope = 0.0
        else:
            self._slope += 0.1 * ((celsius - self._slow_c) / PERIOD_S - self._slope)
        self._slow_c = celsius

    def control(self) -> None:
        """One step of the loop: PI with the lag's lead on the measurement, and anti-windup by clamping."""
        celsius = self.sensor.celsius if self.sensor else None
        self._follow_slope(celsius)
        if celsius is None:
            celsius = -40.0  # what an open thermistor looks like; the watch trips before it matters
        if self.setpoint_dc <= 0 or self.held:
            return
        tuning = self.tuning
        error = self.setpoint_dc / 10.0 - celsius
        wanted = tuning.gain_per_k * (error - tuning.lead_s * self._slope) + self._integral
        if 0.0 < wanted < 1.0 and abs(error) < NEAR_K:
            self._integral += tuning.gain_per_k * error * PERIOD_S / tuning.integral_s
            self._integral = min(max(self._integral, 0.0), 1.0)
        self.set_output(wanted)
