"""The arithmetic of desk.traffic: what the finished machine sends, and when it arrives. Private to the catalogue."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.canbus import response
from hiltest.description.bounded import dbc_text, one_line
from hiltest.description.dbc import CLASSIC_BYTES_MAX
from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.description.models import Bus
    from hiltest.measure import Measure

TRADE_FLOOR_BPS = 500_000
"""What the trade takes at least for tool heads of this kind (common practice, no source)."""
COMFORTABLE_PERCENT, ALARMING_PERCENT = 30.0, 70.0
LISTED_MAX = 60
BAR_WIDTH = 32


def planned(bus: Bus, folder: Path) -> tuple[list[response.PlannedMessage], list[str]]:
    """The planned messages of the description and of its DBC file, and notes about what was left out.

    Raises:
        UsageError: the file can't be read, or cantools is not installed.
    """
    messages = [
        response.PlannedMessage(
            each.name,
            each.can_id,
            each.period_s,
            each.data_bytes,
            each.extended,
            deadline_s=each.deadline_s,
            jitter_s=each.jitter_s,
        )
        for each in bus.traffic
    ]
    if bus.traffic_database is None:
        return messages, []
    found, notes = from_database(folder / bus.traffic_database)
    known = {(message.can_id, message.extended) for message in messages}
    both = [message.name for message in found if (message.can_id, message.extended) in known]
    if both:
        notes.append(f"in the description and in the database, taken from the description: {', '.join(both)}")
    return messages + [each for each in found if (each.can_id, each.extended) not in known], notes


def from_database(path: Path) -> tuple[list[response.PlannedMessage], list[str]]:
    """Classic messages of a DBC file with a cycle time, and notes about the others.

    Raises:
        UsageError: the file can't be read, or cantools is not installed.
    """
    try:
        from cantools import database
    except ImportError as error:
        raise UsageError(
            f"traffic_database = {path.name!r} needs the package cantools: pip install 'hiltest[dbc]'"
        ) from error
    try:
        loaded = database.load_string(dbc_text(path), "dbc")
    except Exception as error:  # the library raises many types for a file that it can't read
        raise UsageError(f"{path}: not a DBC file that can be read: {one_line(error)}") from error
    if not isinstance(loaded, database.Database):
        raise UsageError(f"{path}: holds no CAN messages; give a DBC file")
    messages, without, flexible = [], [], []
    for each in loaded.messages:
        if not each.cycle_time:
            without.append(each.name)
        elif each.length > CLASSIC_BYTES_MAX or each.is_fd:
            flexible.append(each.name)
        else:
            messages.append(
                response.PlannedMessage(
                    each.name, each.frame_id, each.cycle_time / 1000, each.length, each.is_extended_frame
                )
            )
    notes = [f"without a cycle time in {path.name}, not counted: {', '.join(without)}"] if without else []
    if flexible:
        notes.append(
            f"CAN FD in {path.name}, not counted, so that the bus is fuller than what is computed here: "
            f"{', '.join(flexible)}"
        )
    return messages, notes


def analyse(measure: Measure, bus: Bus) -> None:
    """Utilisation, response times, who misses what, and the lowest bit rate that would do."""
    messages, notes = planned(bus, measure.folder)
    for note in notes:
        measure.note(note)
    measure("planned messages", len(messages), "messages")
    if not messages:
        measure.note(
            "no traffic is planned ([[bus.traffic]] or traffic_database), so nothing was computed about "
            "utilisation and response times"
        )
        measure(
            "bit rate",
            bus.bit_rate_bps / 1000,
            "kbit/s",
            note=f"the trade takes {TRADE_FLOOR_BPS // 1000} kbit/s at least for tool heads (common practice, no source)",
        )
        return
    errors = None
    if bus.traffic_error_interval_s is not None:
        errors = response.ErrorModel(bus.traffic_error_interval_s)
        measure.note(f"one bus error every {bus.traffic_error_interval_s:g} s is reckoned with")
    options = response.Options(to_end_of_frame=True, errors=errors)
    found = response.analyse(messages, bus.bit_rate_bps, options)
    measure(
        "utilisation by the planned traffic, at worst",
        100 * found.utilisation,
        "%",
        high=100.0,
        note=_comfort(100 * found.utilisation),
    )
    for each in _listed(found):
        worst_s = math.inf if each.response_s is None else each.response_s
        measure(
            f"worst response of {each.message.name}",
            worst_s,
            "s",
            high=each.message.limit_s,
            note=each.reason or f"0x{each.message.can_id:X}, {each.bits} bits",
        )
    missed = ", ".join(each.message.name for each in found.missed)
    measure("messages that may miss their deadline", len(found.missed), "messages", high=0, note=missed)
    _lowest(measure, bus, messages, options)
    measure.note(bar_picture(found))


def _comfort(percent: float) -> str:
    if percent > ALARMING_PERCENT:
        return (
            f"over {ALARMING_PERCENT:g} % sustained: small disturbances pile up (common practice, no source)"
        )
    if percent > COMFORTABLE_PERCENT:
        return f"over {COMFORTABLE_PERCENT:g} %: bearable (common practice, no source)"
    return f"under {COMFORTABLE_PERCENT:g} %: comfortable (common practice, no source)"


def _listed(found: response.Analysis) -> Iterable[response.Response]:
    """Every message; of a long list those that miss and those nearest to their deadline."""
    if len(found.responses) <= LISTED_MAX:
        return found.responses
    tight = sorted(found.responses, key=lambda each: (each.response_s or math.inf) / each.message.limit_s)
    chosen = {id(each) for each in (*found.missed, *tight[-LISTED_MAX:])}
    return [each for each in found.responses if id(each) in chosen]


def _lowest(
    measure: Measure, bus: Bus, messages: Sequence[response.PlannedMessage], options: response.Options
) -> None:
    lowest = response.lowest_bitrate(messages, options)
    if lowest is None:
        measure.note(
            "no standard bit rate up to 1 Mbit/s holds every deadline: plan less, or slower, traffic"
        )
        return
    needed = max(lowest.bitrate, TRADE_FLOOR_BPS)
    binds = "the deadlines bind" if lowest.bitrate >= TRADE_FLOOR_BPS else "the trade's floor binds"
    measure(
        "lowest standard bit rate for every deadline",
        lowest.bitrate / 1000,
        "kbit/s",
        note=f"{100 * lowest.utilisation:.1f} % there; the trade takes {TRADE_FLOOR_BPS // 1000} kbit/s at least "
        f"(common practice, no source); {binds}"
        + ("" if bus.bit_rate_bps >= needed else f"; this bus runs at {bus.bit_rate_bps / 1000:g} kbit/s"),
    )


def bar_picture(found: response.Analysis) -> str:
    """Utilisation by message as text, highest priority first; MISSED beside what may come too late."""
    rows = found.responses
    name_width = min(28, max(len(each.message.name) for each in rows))
    most = max(each.utilisation for each in rows)
    lines = [f"utilisation at {found.bitrate / 1000:g} kbit/s by message, highest priority first:"]
    for each in rows:
        bar = "#" * max(1, round(BAR_WIDTH * each.utilisation / most))
        late = "" if each.holds else "  MISSED"
        lines.append(
            f"{each.message.name[:name_width]:<{name_width}} {each.message.can_id:>8X}h "
            f"{100 * each.utilisation:6.2f} % {bar:<{BAR_WIDTH}}{late}".rstrip()
        )
    total = f"{'together':<{name_width}} {'':>9} {100 * found.utilisation:6.2f} %"
    return "\n".join([*lines, total])
