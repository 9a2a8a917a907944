"""The drafted description as text: what was seen, with where it is from; what was not, as blanks; guesses as comments."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from hiltest import cautions
from hiltest.description.blanks import BLANK
from hiltest.description.dbc import read_messages
from hiltest.draft.loads import load_sections

if TYPE_CHECKING:
    from hiltest.draft import Order
    from hiltest.draft.ask import NodeFound
    from hiltest.draft.files import Database, Fits
    from hiltest.draft.look import Look, Sender

WIDTH = 110
MESSAGES_MAX, LINES_MAX = 60, 20
_HEAD = f"""\
# A fixture description, drafted from a live bus by `hiltest draft`. Read it line by line: it says what was seen and
# where that is from. What could not be seen stands as "{BLANK}", and hiltest refuses the file until every one is
# replaced by a value or its line or section is taken out. Lines behind # are guesses or defaults; remove the # to use
# them. Sections of loads that are not there must go; loads that the bus does not show must be added.
#
#   hiltest desk FILE      lists the blanks that are left, then computes what paper shows
#   hiltest schema         every key, with unit and meaning
#
# CAUTION: a role that leads to the wrong object switches the wrong thing on. Compare each with the maker's manual
# before the first run, and make that run with every output unplugged.
"""


def description_text(order: Order, seen: Look, fits: Fits) -> str:
    """The whole file."""
    names = _names(seen.nodes)
    several = len(seen.nodes) + len(fits.databases) > 1 or bool(seen.without_id)
    blocks = [_HEAD + _comment(cautions.GENERAL), _fixture(), _supply(), _bus(order, seen), _without_id(seen)]
    loads: list[str] = []
    for node in seen.nodes:
        section, own = _node(node, names[node.node_id], several, seen, fits)
        blocks.append(section)
        loads += own
    blocks += [_signals_node(each, several, fits) for each in fits.databases]
    if not fits.databases and not seen.nodes and not seen.without_id:
        blocks.append(_unknown_node())
    blocks += [*loads, _strangers(seen, fits), _unread(fits)]
    return "\n".join(block.rstrip("\n") + "\n" for block in blocks if block)


def text_of(value: Any) -> str:
    """A value as TOML spells it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {text_of(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(text_of(each) for each in value) + "]"
    return str(value)


def _comment(text: str, indent: str = "# ") -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)) + "\n"


def _clean(text: str) -> str:
    """A text from the bus for a comment: one line, nothing that can't be printed."""
    return "".join(each if each.isprintable() else "?" for each in text)[:120]


def line(key: str, value: Any, about: str = "") -> str:
    """One line of TOML with its comment."""
    told = f"{key} = {text_of(value)}"
    return f"{told:<26}  # {about}\n" if about else f"{told}\n"


def _fixture() -> str:
    return (
        "[fixture]\n"
        + line("name", BLANK, "what is tested, for the head of the report")
        + "# operator = true          # a person measures with the power off, presses switches, looks at lamps\n"
    )


def _supply() -> str:
    return (
        "[supply]\n"
        + line("voltage_v", BLANK, "nominal, at the terminals of the source")
        + line("current_limit_a", BLANK, "what the source can give; set it")
        + "# fuse_a = 5.0             # in the power pair, if there is one\n\n"
        + "[harness]                   # the power pair from the source to the node\n"
        + line("length_m", BLANK, "one way")
        + line("power_awg", BLANK, "gauge of plus and minus")
    )


def _bus(order: Order, seen: Look) -> str:
    text = "[bus]\n" + line("interface", order.interface) + line("channel", order.channel)
    if order.options:
        text += line("options", order.options, "for python-can")
    short = len(seen.rate_by) <= WIDTH
    text += line("bit_rate_bps", seen.bit_rate_bps, seen.rate_by if short else "as is told here:")
    text += "" if short else _comment(seen.rate_by)
    text += line("length_m", BLANK, "from end to end")
    text += "# terminators_ohm = [120.0, 120.0]  # every resistor between H and L; this is the default\n"
    text += "# sample_point_percent = 75.0       # of the adapter and the nodes; this is the default\n"
    return text + f"# {seen.how_listened()}\n"


def _without_id(seen: Look) -> str:
    if not seen.without_id:
        return ""
    text = (
        "# Boards without a node id. Describe each as a [[node]] with the node_id that it shall have, then\n"
    )
    text += "# `hiltest number FILE --board SERIAL` gives it this id (LSS). Until then the check bus.enumerate fails.\n"
    for identity in seen.without_id:
        text += (
            "[[node]]\n"
            + line("name", BLANK)
            + line("node_id", BLANK, f"serial number {identity.serial_number}")
            + f"vendor_id = 0x{identity.vendor_id:08X}\nproduct_code = 0x{identity.product_code:08X}\n"
            + f"revision = 0x{identity.revision:08X}\n"
            + line("eds", BLANK, "its EDS or DCF file, beside this file")
        )
    return text


def _names(nodes: list[NodeFound]) -> dict[int, str]:
    names: dict[int, str] = {}
    for node in nodes:
        slug = re.sub(r"[^a-z0-9]+", "_", node.name.lower()).strip("_")[:30]
        name = slug if slug and slug[0].isalpha() else f"node_{node.node_id}"
        names[node.node_id] = name if name not in names.values() else f"{name}_{node.node_id}"
    return names


def _node(node: NodeFound, name: str, several: bool, seen: Look, fits: Fits) -> tuple[str, list[str]]:
    text = "[[node]]\n" if several else "[node]\n"
    text += line("name", name, "as you like: it stands in the names of its checks")
    text += line("protocol", "canopen") + line("node_id", node.node_id)
    device = fits.device.get(node.node_id)
    identity = node.identity
    if device is not None and identity is not None:
        text += line("eds", fits.local[device.path], device.words(identity))
    else:
        text += line("eds", BLANK, "EDS or DCF file, beside this file; none in the folders given fits")
    for other in fits.others.get(node.node_id, ()):
        text += f"# fits as well: {_clean(str(other.path))}\n"
    if identity is not None:
        text += f"vendor_id = 0x{identity.vendor_id:08X}\nproduct_code = 0x{identity.product_code:08X}\n"
        text += f"revision = 0x{identity.revision:08X}\n"
        text += f"# serial number {node.serial_text}; hardware {_clean(node.hardware) or 'not told'}\n"
    if node.presence is not None and node.presence.answers > 1:
        text += f"# {node.presence.answers} BOARDS ANSWER UNDER THIS ID: number them one at a time before anything else\n"
    if node.firmware:
        text += line("firmware", node.firmware, "the version that is on it now: is it the one that must be?")
    text += "".join(_heartbeat(node, seen))
    text += "# boot_max_s = 1.5         # from reset to the boot-up message; this is the default\n"
    text += f"# state when looked at: {node.state}" + (
        f"; error register 0x{node.error_register:02X}\n" if node.error_register is not None else "\n"
    )
    for (can_id, extended), pdo in sorted(node.process_data.items()):
        fields = ", ".join(f"0x{each.index:04X}:{each.sub} ({each.size_bits} bit)" for each in pdo.fields)
        kind = " of 29 bits" if extended else ""
        text += f"# process data 0x{can_id:03X}{kind}, as mapped in the node: {fields or 'nothing mapped'}\n"
    roles, loads = load_sections(node, name if several else "", device.path if device is not None else None)
    return text + roles, loads


def _heartbeat(node: NodeFound, seen: Look) -> Iterator[str]:
    heard_s = seen.heartbeat_s(node.node_id)
    set_s = node.heartbeat_ms / 1000 if node.heartbeat_ms else None
    if set_s is not None and heard_s is not None and abs(heard_s - set_s) < 0.1 * set_s:
        yield line("heartbeat_s", set_s, f"0x1017; heard every {heard_s:.4f} s")
    elif heard_s is not None:
        said = "" if set_s is None else f"; its 0x1017 says {set_s:g}"
        yield line("heartbeat_s", float(f"{heard_s:.3g}"), f"as heard{said}")
    else:
        yield line("heartbeat_s", BLANK, "period that it must keep; none was heard")


def _signals_node(database: Database, several: bool, fits: Fits) -> str:
    text = "[[node]]\n" if several else "[node]\n"
    text += line("name", BLANK) + line("protocol", "signals")
    text += line("database", fits.local[database.path], f"{len(database.matched)} of its messages were heard")
    guess = next((name for name in database.matched if re.search(r"stat|alive|beat|life", name, re.I)), None)
    text += line(
        "heartbeat",
        guess or BLANK,
        "the cyclic message that is its sign of life" + (" (a guess)" if guess else ""),
    )
    period_s = database.matched[guess].period_s if guess else None
    text += line(
        "heartbeat_s", BLANK if period_s is None else float(f"{period_s:.3g}"), "its period, as heard"
    )
    for name, sender in database.matched.items():
        text += f"# heard: {_clean(name)} (0x{sender.can_id:X}), {_period(sender)}\n"
    for name in database.wrong_length:
        text += f"# heard with another length than the file says: {_clean(name)}\n"
    text += (
        "# What a DBC file can't say is what hangs on which signal, so no load is proposed. Add a section for each, with\n"
        "# roles at 'Message.Signal' (the manual, \"Nodes that speak in signals\"). The file has:\n"
    )
    return text + "".join(_signals_of(database))


def _signals_of(database: Database) -> Iterator[str]:
    """The signals of each message as comments: those of the node first, then those that nobody sent."""
    listed = read_messages(database.path)
    order = [*database.matched, *(name for name in listed if name not in database.matched)]
    for name in order[:MESSAGES_MAX]:
        silent = "" if name in database.matched else " (not heard: a command of the host, or sent on demand)"
        if name in database.shared:
            silent = " (heard, and explained by a node above)"
        yield f"#   {_clean(name)}{silent}\n"
        signals = ", ".join(_clean(each) for each in sorted(listed[name].signals))
        yield from (f"#     {line}\n" for line in textwrap.wrap(signals, WIDTH - 6)[:LINES_MAX])


def _unknown_node() -> str:
    return (
        "[node]                      # nobody answered, and no file fits what was heard\n"
        + line("name", BLANK)
        + line("protocol", BLANK, "canopen, signals, frames, console or own")
    )


def _strangers(seen: Look, fits: Fits) -> str:
    told = {id(sender) for database in fits.databases for sender in database.matched.values()}
    left = [sender for sender in seen.strangers() if id(sender) not in told]
    if not left:
        return ""
    text = "# Heard and not explained by any node above. The check bus.quiet fails for senders that no node explains.\n"
    for sender in left[:50]:
        kind = "29 bit" if sender.extended else "11 bit"
        lengths = ", ".join(map(str, sorted(sender.lengths)))
        text += f"#   0x{sender.can_id:X} ({kind}), {lengths} bytes, {_period(sender)}\n"
    return text


def _period(sender: Sender) -> str:
    if sender.period_s is None:
        return f"{len(sender.times_ns)} times"
    return f"every {sender.period_s:.3g} s"


def _unread(fits: Fits) -> str:
    return "".join(f"# a file that could not be read: {_clean(each)}\n" for each in fits.unread[:20])
