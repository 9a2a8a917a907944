"""Records of three runs of the glue head as the catalogue leaves them: made by arithmetic, not by a bench."""

from __future__ import annotations

import dataclasses
import math
import random
import tomllib
from pathlib import Path

from hiltest.description.models import Description
from hiltest.evidence.model import CheckResult, Curve, LimitSource, Measurement, RunRecord, Value

ROOT = Path(__file__).resolve().parents[2]
GLUE_HEAD = ROOT / "fixtures" / "glue_head.toml"

ALL_CHECKS = (
    "bus.enumerate[head]",
    "bus.quiet[can]",
    "bus.observer[can]",
    "bus.load[can]",
    "sense.ambient[reservoir]",
    "sense.ambient[board]",
    "fan.tach[electronics]",
    "fan.tach[nozzle]",
    "heat.idle[reservoir]",
    "heat.pulse[reservoir]",
    "heat.low_setpoint[reservoir]",
    "motion.driver_ready[pump]",
    "motion.direction[pump]",
    "motion.return[pump]",
    "safe.host_silence[head]",
)

TACH_CAUSES = [
    "the tach wire (yellow) is not in its plug, or its pull-up is missing",
    "the plug of the electronics fan sits in the nozzle fan's socket",
    "the fan is blocked: turn the blades by hand with the power off",
]


def description() -> Description:
    """The glue head's description, straight from its file."""
    return Description.model_validate(tomllib.loads(GLUE_HEAD.read_text(encoding="utf-8")))


def measured(
    check: str,
    name: str,
    value: Value,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    t_s: float = 0.0,
    source: LimitSource = "default",
    note: str = "",
) -> Measurement:
    """A measurement that is judged as the catalogue judges."""
    if low is None and high is None:
        return Measurement(check, name, value, unit, None, None, "noted", t_s, "none", note)
    inside = not isinstance(value, str) and (low is None or value >= low) and (high is None or value <= high)
    return Measurement(
        check, name, value, unit, low, high, "passed" if inside else "failed", t_s, source, note
    )


def reservoir_curve(check: str, until_s: float = 85.0, start_s: float = 40.0) -> Curve:
    """Block temperature on its way to 50 degC: 40 W, 20 J/K, 0.12 W/K, then held by a slow controller."""
    noise = random.Random(7)
    curve = Curve(check, "temperature", "degC")
    curve.lines = {"setpoint": 50.0, "ceiling": 56.0, "band low": 48.0, "band high": 52.0}
    curve.marks = {"window ends": start_s + 60.0}
    temperature = 23.4
    for step in range(int(until_s * 10)):
        ahead = 52.2 if step < 190 else 50.1
        power = 40.0 * min(1.0, max(0.0, (ahead - temperature) * 0.35))
        temperature += 0.1 * (power - 0.12 * (temperature - 23.0)) / 20.0
        curve.t_s.append(start_s + step / 10)
        curve.values.append(temperature + noise.gauss(0, 0.08))
    return curve


def speed_curves(check: str, full_rpm: float, start_s: float, dead: bool = False) -> list[Curve]:
    """Speed over time at three duties, and speed against duty."""
    over_time = Curve(check, "speed", "rpm")
    over_time.lines = {"full speed low": full_rpm * 0.85, "full speed high": full_rpm * 1.15}
    speed, target = 0.0, 0.0
    for step in range(240):
        t = step / 10
        target = full_rpm * (1.02, 0.72, 0.41, 0.0)[int(t // 6)] * (0.0 if dead else 1.0)
        speed += (target - speed) * 0.1 / 0.9
        over_time.t_s.append(start_s + t)
        over_time.values.append(round(speed / 15) * 15)
    against = Curve(check, "speed against duty", "rpm", x_name="duty", x_unit="percent")
    against.t_s = [40.0, 70.0, 100.0]
    against.values = [0.0] * 3 if dead else [full_rpm * x for x in (0.41, 0.72, 1.02)]
    return [over_time, against]


def _bus() -> list[CheckResult]:
    enumerate_, quiet, observer, load = ALL_CHECKS[:4]
    utilisation = Curve(load, "utilisation", "percent", lines={"target": 50.0})
    for step in range(70):
        utilisation.t_s.append(6.0 + step / 10)
        inside = 4 < step < 64
        utilisation.values.append(50 + 1.5 * math.sin(step * 1.7) if inside else 1.4)
    return [
        CheckResult(
            enumerate_,
            "passed",
            measurements=[
                measured(enumerate_, "nodes found", 1, "", 1, 1, 1.1, "computed"),
                measured(enumerate_, "vendor id", 0, "", 0, 0, 1.1, "file"),
                measured(enumerate_, "product code", 0x474C31, "", 0x474C31, 0x474C31, 1.1, "file"),
                measured(enumerate_, "firmware", "1.4.0", ""),
                measured(enumerate_, "boot time", 0.4213, "s", None, 1.0, 2.3, "file"),
                measured(enumerate_, "heartbeat period", 0.10004, "s", 0.09, 0.11, 4.0, "default"),
            ],
            started_s=0.0,
            ended_s=4.0,
            notes=["serial number read from the node: 271828"],
        ),
        CheckResult(
            quiet,
            "passed",
            measurements=[
                measured(quiet, "error frames", 0, "", None, 0, 6.0),
                measured(quiet, "node errors", 0, "", None, 0, 6.0),
            ],
            started_s=4.0,
            ended_s=6.0,
        ),
        CheckResult(
            observer,
            "passed",
            measurements=[measured(observer, "echo of a frame", True)],
            started_s=6.0,
            ended_s=6.1,
        ),
        CheckResult(
            load,
            "passed",
            measurements=[
                measured(load, "error frames", 0, "", None, 0, 13.0),
                measured(load, "bits sent", 2_998_412, "bit", None, None, 13.0),
                measured(load, "utilisation", 50.02, "percent", 45.0, 55.0, 13.0, "file"),
                measured(load, "bit error bound at 95 % confidence", 9.991e-7, "", None, 2e-6, 13.0),
            ],
            curves=[utilisation],
            started_s=6.1,
            ended_s=13.0,
        ),
    ]


def _sense() -> list[CheckResult]:
    checks = []
    for name, value in (("reservoir", 23.4), ("board", 24.1)):
        check = f"sense.ambient[{name}]"
        checks.append(
            CheckResult(
                check,
                "passed",
                measurements=[
                    measured(check, "temperature", value, "degC", 10.0, 35.0, 14.0),
                    measured(check, "noise", 0.083, "K", None, 1.0, 14.0),
                    measured(check, "difference to the median", value - 23.75, "K", -5.0, 5.0, 14.0),
                ],
                started_s=13.0,
                ended_s=14.0,
            )
        )
    return checks


def fan(name: str, full_rpm: float, start_s: float) -> CheckResult:
    """A healthy fan."""
    check = f"fan.tach[{name}]"
    return CheckResult(
        check,
        "passed",
        measurements=[
            measured(check, "speed at 100 %", full_rpm * 1.02, "rpm", full_rpm * 0.85, full_rpm * 1.15, 20.0),
            measured(check, "speed at 70 %", full_rpm * 0.72, "rpm", full_rpm * 0.55, full_rpm * 0.87, 26.0),
            measured(check, "speed at 40 %", full_rpm * 0.41, "rpm", full_rpm * 0.25, full_rpm * 0.57, 32.0),
            measured(check, "spin-up time", 2.31, "s", None, 5.0, 20.0),
            measured(check, "stop time", 3.6, "s", None, 8.0, 38.0),
        ],
        curves=speed_curves(check, full_rpm, start_s),
        started_s=start_s,
        ended_s=start_s + 24,
    )


def _heat() -> list[CheckResult]:
    idle, pulse, low = ALL_CHECKS[8:11]
    return [
        CheckResult(
            idle,
            "passed",
            measurements=[measured(idle, "drift with the heater off", 0.04, "K", -1.0, 1.0, 66.0)],
            started_s=62.0,
            ended_s=66.0,
        ),
        CheckResult(
            pulse,
            "passed",
            measurements=[
                measured(pulse, "rise", 7.61, "K", 5.2, 10.4, 92.0, "computed"),
                measured(pulse, "power estimate", 38.6, "W", 32.0, 48.0, 92.0, "computed"),
                measured(pulse, "rise of the board sensor", 0.2, "K", None, 2.0, 92.0, "computed"),
            ],
            started_s=66.0,
            ended_s=92.0,
        ),
        CheckResult(
            low,
            "passed",
            measurements=[
                measured(low, "time to reach", 21.7, "s", None, 60.0, 114.0, "file"),
                measured(low, "overshoot", 1.94, "K", None, 6.0, 120.0),
                measured(low, "largest distance once settled", 0.71, "K", None, 2.0, 177.0),
            ],
            curves=[reservoir_curve(low, start_s=92.0)],
            started_s=92.0,
            ended_s=177.0,
        ),
    ]


def _motion() -> list[CheckResult]:
    ready, direction, back = ALL_CHECKS[11:14]
    position = Curve(back, "position", "rev", lines={"home": 0.0})
    for step in range(120):
        t = step / 20
        position.t_s.append(181.0 + t)
        position.values.append(5.0 - abs(t - 2.9) / 2.9 * 5.0 if t < 5.8 else 0.0)
    return [
        CheckResult(
            ready,
            "passed",
            measurements=[
                measured(ready, "run current", 0.7, "A", 0.665, 0.735, 178.0, "file"),
                measured(ready, "microsteps", 16, "", 16, 16, 178.0, "file"),
                measured(ready, "reset seen since it was set", False),
            ],
            started_s=177.0,
            ended_s=178.0,
        ),
        CheckResult(
            direction,
            "passed",
            measurements=[
                measured(direction, "counted", 800, "microstep", 800, 800, 180.0, "computed"),
                measured(direction, "home switch let go", True),
            ],
            started_s=178.0,
            ended_s=181.0,
        ),
        CheckResult(
            back,
            "passed",
            measurements=[measured(back, "return error", 0.25, "full step", -2.0, 2.0, 187.0)],
            curves=[position],
            started_s=181.0,
            ended_s=187.0,
        ),
    ]


def _safe() -> list[CheckResult]:
    silence = ALL_CHECKS[14]
    return [
        CheckResult(
            silence,
            "passed",
            measurements=[measured(silence, "outputs off after", 0.512, "s", None, 1.0, 190.0, "file")],
            started_s=187.0,
            ended_s=190.0,
        )
    ]


def _record(unit: str, checks: list[CheckResult]) -> RunRecord:
    return RunRecord(
        unit=unit,
        description="fixtures/glue_head.toml",
        fixture="glue head",
        versions={
            "hiltest": "0.1.0",
            "python": "3.11.9",
            "python-can": "4.6.1",
            "canopen": "2.4.1",
            "node firmware": "1.4.0",
        },
        seed=1,
        simulated=True,
        checks=checks,
        bench_s=190.04,
        wall_s=2.31,
        date="2026-03-04 10:11:12+01:00",
        bus_statistics={
            "can": {
                "frames received": 27_914,
                "frames sent": 25_802,
                "error frames": 0,
                "mean utilisation": "3.1 %",
                "bit rate": "1 000 000 bit/s",
            }
        },
    )


def accepted() -> RunRecord:
    """Every check passed."""
    checks = [*_bus(), *_sense(), fan("electronics", 6000.0, 14.0), fan("nozzle", 9000.0, 38.0)]
    record = _record("GH-0007", [*checks, *_heat(), *_motion(), *_safe()])
    record.verdict, record.verdict_reason = "accepted", "every check passed"
    return record


def rejected() -> RunRecord:
    """The electronics fan's tach is silent; what needs that fan was not run."""
    record = accepted()
    record.unit, record.verdict = "GH-0008", "rejected"
    record.verdict_reason = "1 of 15 checks failed: fan.tach[electronics]"
    record.faults = ["fan_tach_open[electronics]"]
    at = ALL_CHECKS.index("fan.tach[electronics]")
    check = ALL_CHECKS[at]
    record.checks[at] = CheckResult(
        check,
        "failed",
        "no tach pulse was seen at any duty",
        look_first=list(TACH_CAUSES),
        measurements=[
            measured(check, "speed at 100 %", 0.0, "rpm", 5100.0, 6900.0, 20.0),
            measured(check, "speed at 70 %", 0.0, "rpm", 3300.0, 5220.0, 26.0),
            measured(check, "speed at 40 %", 0.0, "rpm", 1500.0, 3420.0, 32.0),
        ],
        curves=speed_curves(check, 6000.0, 14.0, dead=True),
        started_s=14.0,
        ended_s=38.0,
    )
    back = ALL_CHECKS.index("motion.return[pump]")
    record.checks[back] = CheckResult(
        ALL_CHECKS[back], "not run", "gate closed: fan.tach[electronics] has not passed in this run"
    )
    return record


def incomplete() -> RunRecord:
    """The bench was lost while the reservoir was heating."""
    record = accepted()
    record.unit, record.verdict, record.simulated, record.seed = "GH-0009", "incomplete", False, None
    record.verdict_reason = "the bench was lost in heat.low_setpoint[reservoir]"
    at = ALL_CHECKS.index("heat.low_setpoint[reservoir]")
    check = ALL_CHECKS[at]
    record.checks[at] = CheckResult(
        check,
        "error",
        "BenchLost: the adapter /dev/ttyACM0 went away at t=104.2 s",
        look_first=["the adapter's USB plug and cable", "the adapter's supply"],
        curves=[reservoir_curve(check, until_s=12.2, start_s=92.0)],
        started_s=92.0,
        ended_s=104.2,
    )
    for i in range(at + 1, len(ALL_CHECKS)):
        record.checks[i] = CheckResult(ALL_CHECKS[i], "not run", "the bench was lost before its turn came")
    record.checks[2] = dataclasses.replace(
        record.checks[2],
        outcome="not observable",
        reason="the adapter does not echo its own frames; to observe it: an adapter with echo",
        measurements=[],
    )
    record.checks[-1] = CheckResult(ALL_CHECKS[-1], "not offered", "node 'head' does not offer go_silent")
    record.bench_s = 104.2
    return record


HOSTILE = (
    "</script><script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "\x1b[2J\x1b]0;owned\x07",
    "\u202egnp.exe",
    "a\x00b\x07c\ud800d",
    "]]><!--&amp;&#0;",
    "'; } body { display:none } /*",
)


def hostile() -> RunRecord:
    """A rejected run in which every text from outside is hostile."""
    record = rejected()
    bad = " ".join(HOSTILE)
    record.unit = record.fixture = record.description = record.date = record.verdict_reason = bad
    record.versions = {bad: bad}
    record.faults = [bad]
    record.bus_statistics = {bad: {bad: bad}}
    for check in record.checks:
        check.name = f"{check.name[:-1]}{bad}]"
        check.reason = bad
        check.look_first = [bad, bad]
        check.notes = [bad]
        check.measurements = [
            dataclasses.replace(m, check=check.name, name=bad, value=bad, unit=bad, note=bad)
            for m in check.measurements
        ]
        for n, curve in enumerate(check.curves):
            curve.check, curve.name, curve.unit = check.name, f"{bad} {n}", bad
            curve.x_name = curve.x_unit = bad
            curve.lines, curve.marks = {bad: 1.0}, {bad: curve.t_s[0]}
    return record
