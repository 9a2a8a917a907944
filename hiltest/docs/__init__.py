"""The manual, as files that travel with the package."""

from __future__ import annotations

import difflib
import re
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
        near = _near(plain.lower())
        hint = f"did you mean {' or '.join(map(repr, near))}? " if near else ""
        raise UsageError(f"the manual has no page {name!r}; {hint}There are: {', '.join(pages())}")
    return (FOLDER / f"{plain}.md").read_text(encoding="utf-8")


def _near(word: str) -> list[str]:
    """Pages meant by `word`: those with a word of their name that begins so or is nearly so; else the most alike name.

    Where no name is like it, those whose heading has the word.
    """
    if not word:
        return []
    known = {name: name.split("_") for name in pages()}
    begun = [name for name, parts in known.items() if any(part.startswith(word) for part in parts)]
    alike = begun or [
        name for name, parts in known.items() if difflib.get_close_matches(word, parts, n=1, cutoff=0.75)
    ]
    return alike or difflib.get_close_matches(word, known, n=1) or _with_heading(word)


def _with_heading(word: str) -> list[str]:
    heads = {name: (FOLDER / f"{name}.md").read_text(encoding="utf-8") for name in pages()}
    said = re.compile(rf"(?im)^#+ .*\b{re.escape(word)}")
    return [name for name, text in heads.items() if said.search(text)][:2]
