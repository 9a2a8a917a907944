"""Small pieces of HTML and SVG. Everything from outside goes through `esc`, and nothing else is trusted."""

from __future__ import annotations

import html
from collections.abc import Iterable

from hiltest.evidence.text import clean


def esc(text: object) -> str:
    """Return text that can stand in an element or in a quoted attribute, with control characters shown."""
    return html.escape(clean(text, keep_newlines=True), quote=True)


def shortened(text: str, longest: int) -> str:
    """Return `text`, cut with an ellipsis if it is longer than `longest` characters."""
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def element(tag: str, content: str, css: str = "", **attributes: object) -> str:
    """Return an element around `content`, which is markup already. Attribute values are escaped here.

    `aria_label` becomes `aria-label`; an empty value leaves the attribute out.
    """
    named = {"class": css, **attributes}
    shown = "".join(f' {key.replace("_", "-")}="{esc(value)}"' for key, value in named.items() if value != "")
    return f"<{tag}{shown}>{content}</{tag}>"


def items(tag: str, contents: Iterable[str], css: str = "") -> str:
    """Return a list (`ul` or `ol`) of markup items; nothing at all when there are none."""
    lines = "".join(f"<li>{content}</li>" for content in contents)
    return element(tag, lines, css) if lines else ""


def svg_text(x: float, y: float, text: str, css: str = "", anchor: str = "start") -> str:
    """Return one line of text in a picture. `text` is escaped here."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
        f"{f' class={chr(34)}{css}{chr(34)}' if css else ''}>{esc(text)}</text>"
    )


def svg_line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    """Return a straight line in a picture."""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{css}"/>'


def svg_box(x: float, y: float, width: float, height: float, css: str, radius: float = 0.0) -> str:
    """Return a rectangle in a picture."""
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" rx="{radius:g}" class="{css}"/>'
