"""Records as JSON and back: strict JSON (no NaN), and the same text for the same values.

Floats are rounded to 12 significant digits, so that the last bits of a platform's arithmetic do not make two
equal runs differ. Every text is written in ASCII with escapes, so no line can hold a raw control character.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from hiltest.errors import UsageError
from hiltest.evidence.findings import look_first
from hiltest.evidence.model import CheckResult, Measurement, NodeReport, RunRecord, Value

SIGNIFICANT_DIGITS = 12


def rounded(value: float) -> float:
    """Return `value` with 12 significant digits; a value that is not finite stays as it is."""
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}") if math.isfinite(value) else value


def plain_value(value: Any) -> Value:
    """Turn a measured value into what JSON can hold: text, truth, whole or finite number.

    Numbers of numpy become Python's. A number that is not finite becomes the text 'nan', 'inf' or '-inf':
    JSON has no such number, and a null would look as if nothing had been measured.
    """
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return rounded(value) if math.isfinite(value) else str(value)
    return str(value)


def plain_limit(limit: float | None, where: str) -> float | None:
    """Return a limit for JSON. Infinite means that there is none.

    Raises:
        UsageError: the limit is NaN, with which no verdict is possible.
    """
    if limit is None or math.isinf(limit):
        return None
    if math.isnan(limit):
        raise UsageError(
            f"{where}: a limit is NaN, expected a number or None. A value can't be judged against NaN; "
            "mend the computation of the limit"
        )
    return rounded(float(limit))


def measurement_to_dict(m: Measurement) -> dict[str, Any]:
    """Return one measurement with the keys of run.json (without its check, which holds it there)."""
    where = f"{m.check}: {m.name}"
    return {
        "name": m.name,
        "value": plain_value(m.value),
        "unit": m.unit,
        "low": plain_limit(m.low, where),
        "high": plain_limit(m.high, where),
        "verdict": m.verdict,
        "t_s": plain_value(m.t_s),
        "limit_source": m.limit_source,
        "note": m.note,
        **({"form": m.form} if m.form else {}),
        **({"uncertainty": rounded(m.uncertainty)} if m.uncertainty is not None else {}),
    }


def measurement_from_dict(check: str, data: Mapping[str, Any]) -> Measurement:
    """Build a measurement from what `measurement_to_dict` gave."""
    return Measurement(
        check=check,
        name=data["name"],
        value=data["value"],
        unit=data["unit"],
        low=data["low"],
        high=data["high"],
        verdict=data["verdict"],
        t_s=float(data.get("t_s", 0.0)),
        limit_source=data.get("limit_source", "none"),
        note=data.get("note", ""),
        form=data.get("form", ""),
        uncertainty=data.get("uncertainty"),
    )


def result_head(result: CheckResult) -> dict[str, Any]:
    """Return how a check ended, without its measurements and curves."""
    return {
        "name": result.name,
        "outcome": result.outcome,
        "reason": result.reason,
        "look_first": list(result.look_first),
        "stopped_by": list(result.stopped_by),
        "limits": list(result.limits),
        "started_s": plain_value(result.started_s),
        "ended_s": plain_value(result.ended_s),
    }


def record_to_dict(record: RunRecord) -> dict[str, Any]:
    """Return the content of run.json. Curves are not in it; measurements.jsonl holds them."""
    return {
        "verdict": record.verdict,
        "verdict_reason": record.verdict_reason,
        "unit": record.unit,
        "description": record.description,
        "fixture": record.fixture,
        "date": record.date,
        "versions": dict(record.versions),
        "seed": record.seed,
        "simulated": record.simulated,
        "faults": list(record.faults),
        "bench_s": plain_value(record.bench_s),
        "wall_s": plain_value(record.wall_s),
        "look_first": look_first(record),
        "bus_statistics": {
            bus: {name: plain_value(value) for name, value in numbers.items()}
            for bus, numbers in record.bus_statistics.items()
        },
        "reports": [
            {"t_s": plain_value(each.t_s), "node": each.node, "check": each.check, "text": each.text}
            for each in record.reports
        ],
        "reports_left_out": record.reports_left_out,
        "bus_log_left_out": record.bus_log_left_out,
        "checks": [
            {
                **result_head(check),
                "notes": list(check.notes),
                "measurements": [measurement_to_dict(m) for m in check.measurements],
            }
            for check in record.checks
        ],
    }


def check_from_dict(data: Mapping[str, Any]) -> CheckResult:
    """Build a check's result from its part of run.json."""
    return CheckResult(
        name=data["name"],
        outcome=data["outcome"],
        reason=data["reason"],
        look_first=list(data.get("look_first", [])),
        stopped_by=list(data.get("stopped_by", [])),
        limits=list(data.get("limits", [])),
        measurements=[measurement_from_dict(data["name"], m) for m in data["measurements"]],
        started_s=float(data.get("started_s", 0.0)),
        ended_s=float(data.get("ended_s", 0.0)),
        notes=list(data.get("notes", [])),
    )


def record_from_dict(data: Mapping[str, Any]) -> RunRecord:
    """Build a record from the content of run.json; curves come from the journal."""
    return RunRecord(
        unit=data["unit"],
        description=data["description"],
        fixture=data.get("fixture", ""),
        versions=dict(data["versions"]),
        seed=data["seed"],
        simulated=bool(data.get("simulated", False)),
        faults=list(data.get("faults", [])),
        checks=[check_from_dict(c) for c in data["checks"]],
        verdict=data["verdict"],
        verdict_reason=data.get("verdict_reason", ""),
        bench_s=float(data["bench_s"]),
        wall_s=float(data["wall_s"]),
        date=data.get("date", ""),
        bus_statistics={bus: dict(numbers) for bus, numbers in data.get("bus_statistics", {}).items()},
        reports=[
            NodeReport(float(each["t_s"]), each["node"], each["text"], each.get("check", ""))
            for each in data.get("reports", [])
        ],
        reports_left_out=int(data.get("reports_left_out", 0)),
        bus_log_left_out=int(data.get("bus_log_left_out", 0)),
    )


def line_of(data: Mapping[str, Any]) -> str:
    """Return `data` as one line of strict JSON."""
    return json.dumps(data, allow_nan=False, separators=(",", ":"))


def page_of(data: Mapping[str, Any]) -> str:
    """Return `data` as strict JSON that a person can read."""
    return json.dumps(data, allow_nan=False, indent=2) + "\n"
