"""Looking at a fan that tells no speed, and which fans nobody looked at. Private to the catalogue."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from hiltest import cautions
from hiltest.catalogue import _causes

if TYPE_CHECKING:
    from hiltest.description.models import Description, Fan
    from hiltest.evidence.model import CheckResult
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator

TACH, EYE = "fan.tach", "fan.by_eye"
STILL, TURNS, JERKS = "still", "turns", "jerks"
DID = {STILL: "stood still", TURNS: "turned", JERKS: "jerked"}
DOES = {STILL: "stands still", JERKS: "jerks"}


def is_for_eyes(description: Description, fan: Fan) -> bool:
    """Can somebody look, at a fan that can be commanded, and does its node tell nothing of its speed?

    A driver of one's own has no roles to tell that by: there it is told by the tachometer's check, which may be missing.
    """
    allowed = description.fixture.may_be_missing
    may_miss = not fan.roles and (TACH in allowed or f"{TACH}[{fan.name}]" in allowed)
    has_duty = not fan.roles or "duty" in fan.roles
    return description.fixture.operator and has_duty and (may_miss or not fan.tells_speed)


def questions(fan: Fan) -> int:
    """How often somebody is asked how the fan looks."""
    return 3 + _has_start(fan)


def _has_start(fan: Fan) -> bool:
    """Does the description say at which duty it must start? The default is that of a fan with a control wire."""
    return "start_duty" in fan.model_fields_set and fan.start_duty < 1.0


def look(link: Link, node: GuardedNode, fan: Fan, operator: Operator, measure: Measure) -> None:
    """Still with nothing commanded, turning at full duty and at its start duty, still again."""

    def seen(text: str, show: str = "") -> str:
        question = f"{text}Look at fan {fan.name!r}, touch nothing. Does it stand still, turn, or jerk without getting going?"
        return operator.ask(
            f"fan.turns[{fan.name}]", question, "choice", choices=[STILL, TURNS, JERKS], show=show
        )

    def command(duty: float, wait_s: float) -> None:
        node.set_fan(fan.name, duty)
        link.run_for(wait_s)

    command(0.0, fan.stop_max_s)
    rest = seen("After the answer it is started at full duty. ", f"CAUTION: {cautions.BY_GROUP['fan']}")
    measure.equal("the fan with nothing commanded", rest, STILL)
    command(1.0, fan.spin_up_max_s)
    full = seen("")
    measure.equal("the fan at full duty", full, TURNS)
    another = full == STILL and _another_turns(operator, fan, measure)
    last = STILL
    if full == TURNS:
        if _has_start(fan):
            command(0.0, fan.stop_max_s)
            command(fan.start_duty, fan.spin_up_max_s)
            measure.equal(f"the fan from rest at {fan.start_duty:.0%} duty", seen(""), TURNS)
        command(0.0, fan.stop_max_s)
        last = seen("It was commanded off. ")
        measure.equal(
            "the fan after it was commanded off",
            last,
            STILL,
            f"{fan.stop_max_s:g} s after the command (fan.stop_max_s)",
        )
    measure.look_first(
        *_causes.fan_by_eye(
            moved_at_rest=rest != STILL,
            turns_at_full=full == TURNS,
            jerks=JERKS in (rest, full),
            another_turned=another,
            stopped=last == STILL,
        )
    )
    if full != TURNS:
        node.set_fan(fan.name, 0.0)
        measure.fail(
            f"fan {fan.name!r} {DID[rest]} with nothing commanded and {DOES[full]} at full duty; nothing else was tried with it"
        )


def _another_turns(operator: Operator, fan: Fan, measure: Measure) -> bool:
    if len(measure.description.fan) < 2:
        return False
    turns = operator.ask(
        f"fan.another[{fan.name}]", f"Fan {fan.name!r} is commanded on alone. Does another fan turn?"
    )
    measure("another fan turns instead", "yes" if turns else "no")
    return turns


def never_shown(description: Description, results: Mapping[str, CheckResult]) -> list[str]:
    """Fans of which nobody and no tachometer said in this run whether they run and stop, in words for the verdict."""
    told = []
    for fan in description.fan:
        found = {
            name: results[f"{name}[{fan.name}]"] for name in (EYE, TACH) if f"{name}[{fan.name}]" in results
        }
        outcomes = {name: result.outcome for name, result in found.items()}
        if not outcomes or {"passed", "failed"} & {*outcomes.values()}:
            continue
        if EYE in outcomes:
            why = f"{EYE} was {outcomes[EYE]}"
        elif outcomes[TACH] == "not offered":
            why = "its node tells no speed" + (
                "" if description.fixture.operator else ", and nobody takes part who could look"
            )
        else:
            continue  # stands with the verdict as what was not shown
        told.append(
            f"fan {fan.name!r} was never shown to run or to stop ({why}): look by hand, clear of its blades, that it stands still "
            "with nothing commanded, turns at full duty and stands still once it is commanded off"
        )
    return told
