"""The manual, as files that travel with the package."""

from __future__ import annotations

import difflib
from pathlib import Path

from hiltest.errors import UsageError

FOLDER = Path(__file__).parent
INDEX = "README"


def pages() -> list[str]:
    """Names of the pages, without the index."""
    return sorted(file.stem for file in FOLDER.glob("*.md") if file.stem != INDEX)


def page(name: str = INDEX) -> str:
    """The text of a page (Markdown); of the index without a name.

    Raises:
        UsageError: there is no such page; says which is near, or which there are.
    """
    plain = name.removesuffix(".md").replace("-", "_")
    if plain not in (INDEX, *pages()):
        near = difflib.get_close_matches(plain, pages(), n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(pages())}"
        raise UsageError(f"the manual has no page {name!r}; {hint}")
    return (FOLDER / f"{plain}.md").read_text(encoding="utf-8")
