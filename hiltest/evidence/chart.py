"""Curves and limit bars as inline SVG: axes with units, limit lines with names, no peak lost."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hiltest.evidence.markup import esc, shortened, svg_box, svg_line, svg_text
from hiltest.evidence.model import Curve, Measurement
from hiltest.evidence.text import allowed_text, measured_text, number, unit_text, value_text

MAX_POINTS = 600
WIDTH, HEIGHT = 440.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 50.0, 8.0, 12.0, 40.0
LABEL_STEP = 13.0
CHARACTER = 6.8  # widest mean width of a character in common sans-serif fonts of 12 px
SPARSE = 16  # points that are drawn as dots, too

Point = tuple[float, float]


def decimate(points: Sequence[Point], most: int = MAX_POINTS) -> list[Point]:
    """Return at most `most` of `points`, in order, with the lowest and the highest of every stretch.

    First and last point stay. `most` is 4 or more.
    """
    if len(points) <= most:
        return list(points)
    inner = points[1:-1]
    stretches = (most - 2) // 2
    kept = [points[0]]
    for i in range(stretches):
        stretch = range(i * len(inner) // stretches, (i + 1) * len(inner) // stretches)
        low = min(stretch, key=lambda at: inner[at][1])
        high = max(stretch, key=lambda at: inner[at][1])
        kept += [inner[at] for at in sorted({low, high})]
    return [*kept, points[-1]]


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Return round values (1, 2 or 5 times a power of ten apart) that cover low..high from inside."""
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)]


def curve_summary(curve: Curve) -> str:
    """Return the curve in words, for those who don't see it."""
    values = [v for v in curve.values if math.isfinite(v)]
    if not values:
        return f"{curve.name}: no point was recorded"
    low, high, last = (value_text(v, curve.unit) for v in (min(values), max(values), values[-1]))
    ends = f", last {last}" if curve.x_name == "time" else ""
    lines = "; ".join(f"{name} {value_text(at, curve.unit)}" for name, at in curve.lines.items())
    text = f"{curve.name}: lowest {low}, highest {high}{ends}"
    return f"{text}. Lines: {lines}" if lines else text


def draw(curve: Curve) -> str:
    """Return one curve as an SVG picture, or nothing if it has no finite point."""
    runs = _finite_runs(curve)
    if not runs:
        return ""
    plot = _Plot(curve, [point for run in runs for point in run])
    share = max(4, MAX_POINTS // len(runs))
    body = [plot.grid(), *(plot.trace(decimate(run, share)) for run in runs[: MAX_POINTS // 4])]
    title = f"<title>{esc(shortened(curve.name, 80))} of {esc(curve.check)}</title>"
    description = f"<desc>{esc(curve_summary(curve))}</desc>"
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img">'
        f"{title}{description}{''.join(body)}{plot.lines()}</svg>"
    )


def _finite_runs(curve: Curve) -> list[list[Point]]:
    """Return the stretches of the curve without a missing value."""
    runs: list[list[Point]] = [[]]
    for x, y in zip(curve.t_s, curve.values, strict=True):
        if math.isfinite(x) and math.isfinite(y):
            runs[-1].append((x, y))
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if run]


def _span(values: Sequence[float], pad: float) -> Point:
    low, high = min(values), max(values)
    if low == high:
        half = abs(low) * 0.1 or 1.0
        return low - half, high + half
    return low - (high - low) * pad, high + (high - low) * pad


class _Plot:
    """Scales of one picture, and what is drawn with them. Names of lines stand in a gutter on the right."""

    def __init__(self, curve: Curve, points: Sequence[Point]) -> None:
        self.curve = curve
        self.sparse = len(points) <= SPARSE
        self.levels = [
            (value, f"{shortened(name, 20)} {number(value, 5)}")
            for name, value in sorted(curve.lines.items(), key=lambda item: -item[1])
            if math.isfinite(value)
        ]
        self.marks = [(x, shortened(name, 28)) for name, x in curve.marks.items() if math.isfinite(x)]
        longest = max((len(text) for _, text in self.levels), default=0)
        self.right = WIDTH - RIGHT - (longest * CHARACTER + 8 if longest else 0)
        self.foot = HEIGHT - BOTTOM
        ys = [y for _, y in points] + [value for value, _ in self.levels]
        if self.sparse and min(ys) >= 0:
            ys.append(0.0)
        self.x_low, self.x_high = _span(
            [*(x for x, _ in points), *(x for x, _ in self.marks)], 0.04 * self.sparse
        )
        self.y_low, self.y_high = _span(ys, 0.07)

    def x(self, value: float) -> float:
        return LEFT + (value - self.x_low) / (self.x_high - self.x_low) * (self.right - LEFT)

    def y(self, value: float) -> float:
        return self.foot - (value - self.y_low) / (self.y_high - self.y_low) * (self.foot - TOP)

    def grid(self) -> str:
        """Axes, ticks and what they count."""
        parts = [svg_line(LEFT, self.foot, self.right, self.foot, "axis")]
        for value in ticks(self.y_low, self.y_high):
            y = self.y(value)
            parts.append(svg_line(LEFT, y, self.right, y, "grid"))
            parts.append(svg_text(LEFT - 5, y + 4, number(value, 5), anchor="end"))
        for value in ticks(self.x_low, self.x_high, 5):
            x = self.x(value)
            parts.append(svg_line(x, self.foot, x, self.foot + 4, "axis"))
            parts.append(svg_text(x, self.foot + 16, number(value, 5), anchor="middle"))
        name = "bench time" if self.curve.x_name == "time" else self.curve.x_name
        unit = unit_text(shortened(self.curve.x_unit, 12))
        axis = f"{shortened(name, 24)}, {unit}" if unit else shortened(name, 24)
        parts.append(svg_text((LEFT + self.right) / 2, HEIGHT - 6, axis, anchor="middle"))
        return "".join(parts)

    def trace(self, points: Sequence[Point]) -> str:
        """The values: a line, and dots where there are few."""
        places = [f"{self.x(x):.1f} {self.y(y):.1f}" for x, y in points]
        line = f'<path class="trace" d="M{"L".join(places)}"/>' if len(places) > 1 else ""
        if not self.sparse and len(places) > 1:
            return line
        return line + "".join(
            f'<circle class="dot" cx="{self.x(x):.1f}" cy="{self.y(y):.1f}" r="3.5"/>' for x, y in points
        )

    def lines(self) -> str:
        """Limit lines and moments with their names, moved apart where they would cover each other."""
        parts = []
        places = _apart([self.y(value) for value, _ in self.levels], TOP, self.foot)
        for (value, text), place in zip(self.levels, places, strict=True):
            y = self.y(value)
            parts.append(svg_line(LEFT, y, self.right, y, "limit"))
            if abs(place - y) > 1:
                parts.append(svg_line(self.right, y, self.right + 6, place, "leader"))
            parts.append(svg_text(self.right + 8, place + 4, text, "label"))
        for row, (value, text) in enumerate(self.marks):
            x = self.x(value)
            parts.append(svg_line(x, TOP, x, self.foot, "mark"))
            left = x > (LEFT + self.right) / 2
            y = self.foot - 6 - LABEL_STEP * row
            parts.append(
                svg_text(x - 4 if left else x + 4, y, text, "label halo", "end" if left else "start")
            )
        return "".join(parts)


def _apart(places: Sequence[float], top: float, foot: float) -> list[float]:
    """Return `places` (ascending) moved so that neighbours are a label's height apart, inside top..foot."""
    moved: list[float] = []
    for place in places:
        moved.append(max(place, moved[-1] + LABEL_STEP) if moved else max(place, top))
    below = foot
    for i in reversed(range(len(moved))):
        moved[i] = min(moved[i], below)
        below = moved[i] - LABEL_STEP
    return moved


def margin(m: Measurement) -> float | None:
    """Return how far a value is inside its limits: 1 in the middle, 0 on a limit, below 0 outside.

    With one limit, 1 is at zero. None when there is no limit, or none that has a width.
    """
    if isinstance(m.value, str | bool) or not math.isfinite(m.value):
        return None
    if m.low is not None and m.high is not None:
        half = (m.high - m.low) / 2
        return min(m.value - m.low, m.high - m.value) / half if half > 0 else None
    if m.high:
        return (m.high - m.value) / abs(m.high)
    if m.low:
        return (m.value - m.low) / abs(m.low)
    return None


FEW = 10


def has_room(m: Measurement) -> bool:
    """Does the room of a value to its limits say something of the unit?

    Not where few things are counted one by one: 1 of at most 1 is as good as it can be. And not where the check's
    own course gives the value.
    """
    limits = [abs(limit) for limit in (m.low, m.high) if limit is not None]
    is_count = isinstance(m.value, int) and max(limits, default=0) <= FEW
    return m.form != "course" and not is_count


def limit_bar(m: Measurement) -> str:
    """Return a small picture of where the value lies between its limits; nothing where there is no width."""
    if margin(m) is None or isinstance(m.value, str | bool):
        return ""
    low, high = _bar_range(m)
    width, left, right = 120.0, 8.0, 112.0

    def x(value: float) -> float:
        return left + (value - low) / (high - low) * (right - left)

    start = left if m.low is None else x(m.low)
    end = right if m.high is None else x(m.high)
    parts = [svg_line(left, 9, right, 9, "track"), svg_box(start, 4, end - start, 10, "zone")]
    parts += [svg_line(x(limit), 2, x(limit), 16, "end") for limit in (m.low, m.high) if limit is not None]
    if m.uncertainty is not None:
        least, most = (x(min(max(m.value + off, low), high)) for off in (-m.uncertainty, m.uncertainty))
        parts.append(svg_line(least, 9, most, 9, "off"))
    at = x(min(max(m.value, low), high))
    if m.verdict == "failed":
        parts.append(f'<path class="out" d="M{at - 4:.1f} 5l8 8m0 -8l-8 8"/>')
    else:
        parts.append(f'<circle class="in" cx="{at:.1f}" cy="9" r="4"/>')
    text = f"{measured_text(m)}, allowed {allowed_text(m)}"
    return (
        f'<svg class="bar" viewBox="0 0 {width:g} 18" role="img"><title>{esc(text)}</title>'
        f"{''.join(parts)}</svg>"
    )


def _bar_range(m: Measurement) -> Point:
    """Return what a limit bar shows: the allowed range with a quarter of it on each limited side."""
    value = float(m.value)
    if m.low is not None and m.high is not None:
        aside = (m.high - m.low) / 4
        return m.low - aside, m.high + aside
    limit = m.high if m.high is not None else m.low
    assert limit is not None
    low, high = min(0.0, value, limit), max(0.0, value, limit)
    aside = (high - low) / 4 or 1.0
    if m.high is not None:
        return low, min(high, limit) + aside if value <= limit else limit + aside
    return min(low, limit - aside), high


def axis_title(curve: Curve) -> str:
    """Return the curve's name with its unit."""
    unit = unit_text(shortened(curve.unit, 12))
    return f"{curve.name}, {unit}" if unit else curve.name
