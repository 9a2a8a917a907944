"""The fixture as a wiring picture, drawn from its description: power on the left, CAN on the right."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from hiltest.evidence.markup import esc, shortened, svg_box, svg_line, svg_text
from hiltest.evidence.text import number

if TYPE_CHECKING:
    from hiltest.description.models import (
        Bus,
        Description,
        Fan,
        Heater,
        Lamp,
        Load,
        Node,
        Sensor,
        Stepper,
        Switch,
    )

BASE_WIDTH = 440.0
BUS_STEP = 46.0
POWER_X = 22.0
PAIR = 16.0  # between the two wires of a pair
BOX_X = 64.0
ROW = 36.0
IN_PROCESS = "hiltest"  # python-can interface, and scheme of a console, of the simulated bench
CHARACTER = 6.4  # widest mean width of a character of the small text in common sans-serif fonts
HEAD_HEIGHT = 62.0
GAP = 74.0  # for the words about a cable, above the nodes


def wiring(description: Description) -> str:
    """Return the picture: supply, harness, CAN lines with terminators, nodes and what hangs on them."""
    return _Picture(description).svg()


def bit_rate_text(bps: int) -> str:
    """Return a bit rate as it is spoken of."""
    return f"{number(bps / 1e6)} Mbit/s" if bps >= 1_000_000 else f"{number(bps / 1e3)} kbit/s"


def load_text(load: Load) -> str:
    """Return what a load is, in a few words."""
    return _LOAD_TEXTS[type(load).__name__.lower()](load)


def _ohm(value: float) -> str:
    return f"{number(value / 1e3)} kΩ" if value >= 10_000 else f"{number(value)} Ω"


def _sensor(s: Sensor) -> str:
    if s.kind == "ntc" and s.r25_ohm:
        beta = f", B {s.beta_k:g} K" if s.beta_k else ""
        return f"NTC, {_ohm(s.r25_ohm)} at 25 °C{beta}"
    if s.kind == "platinum" and s.r0_ohm:
        return f"platinum, {_ohm(s.r0_ohm)} at 0 °C"
    return "temperature sensor"


def _heater(h: Heater) -> str:
    return f"{number(h.power_w)} W, sensor {h.sensor}, at most {number(h.ceiling_c)} °C"


def _fan(f: Fan) -> str:
    return f"{number(f.full_speed_rpm)} rpm, {f.pulses_per_rev} pulses a turn, {f.wires} wires"


def _stepper(s: Stepper) -> str:
    moves = f", moves {s.axis}" if s.axis else ""
    return f"{s.steps_per_rev} × {s.microsteps} steps, {number(s.run_current_a)} A{moves}"


def _switch(s: Switch) -> str:
    contact = s.contact.replace("_", " ")
    return f"{contact}, {s.place}" if s.place else contact


def _lamp(lamp: Lamp) -> str:
    return ", ".join(lamp.colours)


_LOAD_TEXTS: dict[str, Callable[[Any], str]] = {
    "sensor": _sensor,
    "heater": _heater,
    "fan": _fan,
    "stepper": _stepper,
    "switch": _switch,
    "lamp": _lamp,
}

# Drawn in a field of 20 by 20 round the middle, after the symbols of IEC 60617 (from memory).
_SYMBOLS = {
    "sensor": '<path d="M-9 0h3m12 0h3M-6 -3.5h12v7h-12zM-7 7h3l9 -14"/>',
    "heater": '<path d="M-9 0h3m12 0h3M-6 -4h12v8h-12zM-3 -4v8m3 -8v8m3 -8v8"/>',
    "fan": '<circle r="8.5"/><path d="M0 0c-6 -2 -5 -7 0 -7c3 0 2 5 0 7c6 2 5 7 0 7c-3 0 -2 -5 0 -7"/>',
    "stepper": '<circle r="8.5"/><path d="M-4 4v-8l4 5l4 -5v8"/>',
    "switch": '<path d="M-9 3h4l9 -7m1 7h4M-5 3h0"/><circle cx="-5" cy="3" r="1.5"/>'
    '<circle cx="5" cy="3" r="1.5"/>',
    "lamp": '<circle r="8"/><path d="M-5.6 -5.6l11.2 11.2m0 -11.2l-11.2 11.2"/>',
}

_HAZARDS = {"heater": "hot", "stepper": "pinch", "fan": "turns"}


class _Picture:
    """Places of everything in the picture. Y grows downwards."""

    def __init__(self, description: Description) -> None:
        self.d = description
        self.width = BASE_WIDTH + BUS_STEP * (len(description.bus) - 1)
        self.bus_x = {
            bus.name: self.width - POWER_X - PAIR - BUS_STEP * i for i, bus in enumerate(description.bus)
        }
        self.box_width = min(self.bus_x.values()) - 26 - BOX_X
        self.nodes_y = self._head_end() + GAP
        self.tap_y: dict[str, float] = {}

    def svg(self) -> str:
        """Return the whole picture."""
        nodes, y = [], self.nodes_y
        for node in self.d.node:
            drawn, y = self._node(node, y)
            nodes.append(drawn)
        foot = y + 28
        wires = [self._power(y), *(self._line(bus, i, foot) for i, bus in enumerate(self.d.bus))]
        heads = [self._supply(), *(self._adapter(bus, i) for i, bus in enumerate(self.d.bus))]
        name = esc(self.d.fixture.name)
        return (
            f'<svg class="wiring" viewBox="0 0 {self.width:g} {foot + 12:g}" role="img">'
            f"<title>Wiring of the fixture {name}</title><desc>{esc(self._words())}</desc>"
            f"{''.join(wires)}{''.join(heads)}{''.join(nodes)}</svg>"
        )

    def _words(self) -> str:
        """The picture in words, for those who don't see it."""
        parts = [f"supply {number(self.d.supply.voltage_v)} V"]
        for bus in self.d.bus:
            ohms = ", ".join(_ohm(r) for r in bus.terminators_ohm) or "none"
            parts.append(
                f"CAN line {bus.name}: {number(bus.length_m)} m, {bit_rate_text(bus.bit_rate_bps)}, "
                f"terminators {ohms}"
            )
        for node in self.d.node:
            loads = "; ".join(f"{type(x).__name__.lower()} {x.name}: {load_text(x)}" for x in self._of(node))
            parts.append(f"node {node.name}: {loads}")
        return ". ".join(parts)

    def _of(self, node: Node) -> list[Load]:
        return [load for load in self.d.loads if load.node == node.name]

    def _head_end(self) -> float:
        return 6 + (HEAD_HEIGHT + 8) * len(self.d.bus) - 8

    def _supply(self) -> str:
        s = self.d.supply
        lines = [
            f"{number(s.voltage_v)} V ± {number(s.tolerance_percent)} %",
            f"up to {number(s.current_limit_a)} A, "
            + (f"fuse {number(s.fuse_a)} A" if s.fuse_a is not None else "no fuse"),
        ]
        return _head_box(6, 6, 186, "Supply", lines)

    def _adapter(self, bus: Bus, i: int) -> str:
        x = 206.0
        right = self.bus_x[bus.name] + PAIR + 16
        many = f" of bus {bus.name}" if len(self.d.bus) > 1 else ""
        lines = [_place(bus), bit_rate_text(bus.bit_rate_bps)]
        return _head_box(x, 6 + (HEAD_HEIGHT + 8) * i, right - x, f"CAN adapter{many}", lines)

    def _power(self, foot: float) -> str:
        h = self.d.harness
        top, y = 6 + HEAD_HEIGHT, self._head_end() + 22
        end = max(self.tap_y.values(), default=foot)
        wires = [svg_line(POWER_X + dx, top, POWER_X + dx, end + dx / 1.6, "wire") for dx in (0, PAIR)]
        words = [
            svg_text(POWER_X + PAIR + 8, y, f"power pair, {number(h.length_m)} m", "name"),
            svg_text(POWER_X + PAIR + 8, y + 15, f"AWG {h.power_awg}, {number(h.contact_ohm)} Ω contacts"),
        ]
        return "".join([*wires, *words])

    def _line(self, bus: Bus, i: int, foot: float) -> str:
        """One CAN line from its adapter down to its far end, with a terminator at each."""
        x = self.bus_x[bus.name]
        top = 6 + (HEAD_HEIGHT + 8) * i + HEAD_HEIGHT
        parts = [svg_line(x + dx, top, x + dx, foot, "wire can") for dx in (0, PAIR)]
        ohms = bus.terminators_ohm
        if ohms:
            parts.append(_terminator(x, self._head_end() + 10, ohms[0]))
        if len(ohms) > 1:
            parts.append(_terminator(x, foot, ohms[-1]))
        if i == 0:
            y = self._head_end() + 37
            stub = f", stubs to {number(bus.stub_m)} m" if bus.stub_m else ""
            left = min(self.bus_x.values()) - 8
            parts.append(
                svg_text(left, y, f"CAN pair, {number(bus.length_m)} m, AWG {bus.signal_awg}", "name", "end")
            )
            parts.append(svg_text(left, y + 15, f"{_terminators(ohms)}{stub}", "", "end"))
        return "".join(parts)

    def _node(self, node: Node, y: float) -> tuple[str, float]:
        """One node with its loads, and where the next one begins."""
        loads = self._of(node)
        consoles = [c for c in self.d.console if c.node == node.name]
        height = 46 + 16 * len(consoles) + ROW * len(loads)
        tap = y + 22
        self.tap_y[node.name] = tap
        parts = [svg_line(POWER_X + dx, tap + dx / 1.6, BOX_X, tap + dx / 1.6, "wire") for dx in (0, PAIR)]
        if node.bus in self.bus_x:
            x = self.bus_x[node.bus]
            edge = BOX_X + self.box_width
            parts += [svg_line(edge, tap + dx / 1.6, x + dx, tap + dx / 1.6, "wire can") for dx in (0, PAIR)]
            parts += [
                f'<circle class="joint" cx="{x + dx:g}" cy="{tap + dx / 1.6:g}" r="2.5"/>' for dx in (0, PAIR)
            ]
        parts.append(svg_box(BOX_X, y, self.box_width, height, "box node", 3))
        parts.append(svg_text(BOX_X + 12, y + 19, f"Node {shortened(node.name, 24)}", "name"))
        who = node.protocol if node.node_id is None else f"{node.protocol}, node id {node.node_id}"
        parts.append(svg_text(BOX_X + 12, y + 35, shortened(who, 44)))
        at = y + 35
        for console in consoles:
            at += 16
            simulated = console.port.startswith(f"{IN_PROCESS}://")
            port = "simulated" if simulated else f"{console.port}, {console.baud} baud"
            parts.append(svg_text(BOX_X + 12, at, shortened(f"console {port}", 44)))
        at += 8
        for load in loads:
            parts.append(self._load(load, at))
            at += ROW
        return "".join(parts), y + height + 16

    def _load(self, load: Load, y: float) -> str:
        kind = type(load).__name__.lower()
        x, room = BOX_X + 12, int((self.box_width - 48) / CHARACTER)
        hazard = _HAZARDS.get(kind, "")
        full = f"{kind} {load.name}: {load_text(load)}"
        return (
            f"<g><title>{esc(full)}</title>"
            + svg_line(BOX_X, y, BOX_X + self.box_width, y, "rule")
            + f'<g class="symbol" transform="translate({x + 10:g} {y + ROW / 2:g})">{_SYMBOLS[kind]}</g>'
            + svg_text(x + 30, y + 15, f"{kind} {shortened(load.name, 26)}", "name")
            + (svg_text(BOX_X + self.box_width - 8, y + 15, f"▲ {hazard}", "hazard", "end") if hazard else "")
            + svg_text(x + 30, y + 29, shortened(load_text(load), room), "detail")
            + "</g>"
        )


def _place(bus: Bus) -> str:
    return "simulated bench" if bus.interface == IN_PROCESS else f"{bus.interface} {bus.channel}"


def _head_box(x: float, y: float, width: float, title: str, lines: list[str]) -> str:
    room = int((width - 20) / CHARACTER)
    parts = [svg_box(x, y, width, HEAD_HEIGHT, "box", 3), svg_text(x + 10, y + 19, title, "name")]
    parts += [
        svg_text(x + 10, y + 36 + 16 * i, shortened(line, room), "detail") for i, line in enumerate(lines)
    ]
    return "".join(parts)


def _terminator(x: float, y: float, ohm: float) -> str:
    return (
        svg_line(x, y, x + PAIR, y, "wire can")
        + svg_box(x + 3, y - 3.5, PAIR - 6, 7, "box part")
        + svg_text(x - 8, y + 4, _ohm(ohm), "", "end")
    )


def _terminators(ohms: list[float]) -> str:
    if not ohms:
        return "no terminator"
    if len(ohms) == 1:
        return "1 terminator"
    more = f" ({', '.join(_ohm(r) for r in ohms)})" if len(ohms) > 2 else ""
    return f"{len(ohms)} terminators{more}"
