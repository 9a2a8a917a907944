"""A status lamp: one output bit for each colour, and what a person sees."""

from __future__ import annotations

CURRENT_A = 0.02


class Lamp:
    """`wired` maps each output bit to the colour that it really lights; `dead` colours stay dark."""

    def __init__(self, name: str, colours: list[str]) -> None:
        self.name = name
        self.colours = list(colours)
        self.wired = list(colours)
        self.dead: set[str] = set()
        self.bits = 0

    def shows(self) -> frozenset[str]:
        """The colours that a person sees at this moment."""
        lit = {colour for bit, colour in enumerate(self.wired) if self.bits >> bit & 1}
        return frozenset(lit - self.dead)

    def current_now_a(self) -> float:
        """Supply current of the lit colours."""
        return CURRENT_A * len(self.shows())
