"""From a node of the description to the driver that speaks its protocol."""

from __future__ import annotations

import difflib
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.description.models import Description, Node
from hiltest.errors import HiltestError, UsageError
from hiltest.link import Link
from hiltest.node.verbs import NodeDriver

if TYPE_CHECKING:
    from hiltest.description.loading import Loaded

DRIVERS_GROUP = "hiltest.drivers"
"""Entry point group for drivers of one's own: a callable (link, description, node name, folder) -> NodeDriver."""


def open_driver(
    link: Link, description: Description | Loaded, node: str, folder: Path | None = None
) -> NodeDriver:
    """Make the driver of `node`; nothing is sent before its `start()`.

    `folder` is where the description lies: the files it names are relative to it. A loaded description
    knows its folder; without one it is the current folder.

    Raises:
        UsageError: no such node, or no such own driver.
        DescriptionError: the driver can't use what the description says.
    """
    if not isinstance(description, Description):
        folder = folder or description.path.parent
        description = description.description
    part = _find(description, node)
    if part.protocol == "canopen":
        from hiltest.node.canopen import CanopenDriver

        return CanopenDriver(link, description, part.name, folder)
    if part.protocol == "signals":
        from hiltest.node.signals import DbcDriver

        return DbcDriver(link, description, part.name, folder)
    if part.protocol == "frames":
        from hiltest.node.frames import FramesDriver

        return FramesDriver(link, description, part.name, folder)
    if part.protocol == "console":
        from hiltest.node.console import ConsoleDriver

        return ConsoleDriver(link, description, part.name, folder)
    return _own(link, description, part, folder)


def _find(description: Description, name: str) -> Node:
    for part in description.node:
        if part.name == name:
            return part
    names = [part.name for part in description.node]
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"it has {', '.join(names)}"
    raise UsageError(f"the description has no node {name!r}; {hint}")


def _own(link: Link, description: Description, part: Node, folder: Path | None) -> NodeDriver:
    """The driver of one's own that a node names, made and looked over."""
    which = f"node {part.name!r}: driver {part.driver!r}"
    points = [point for point in entry_points(group=DRIVERS_GROUP) if point.name == part.driver]
    if not points:
        known = sorted({point.name for point in entry_points(group=DRIVERS_GROUP)})
        near = difflib.get_close_matches(part.driver or "", known, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise UsageError(
            f"{which} is not in the entry point group {DRIVERS_GROUP!r}; {hint}Installed there: "
            f"{', '.join(known) or 'none'}. Install the package that brings it into the same environment, or mend the name"
        )
    if len({point.value for point in points}) > 1:
        listed = ", ".join(sorted({point.value for point in points}))
        raise UsageError(f"{which} is in several installed packages ({listed}): uninstall all but one")
    which += f" ({points[0].value})"
    try:
        make = points[0].load()
    except Exception as error:
        raise UsageError(f"{which} could not be imported: {type(error).__name__}: {error}") from error
    if not callable(make):
        raise UsageError(
            f"{which} is {make!r}; it must be a class or function (link, description, node, folder)"
        )
    try:
        driver: NodeDriver = make(link, description, part.name, folder)
    except HiltestError:
        raise
    except Exception as error:
        raise UsageError(
            f"{which} could not be made: {type(error).__name__}: {error}. It is called with (link, description, node name, "
            "folder) and must send nothing yet"
        ) from error
    missing = [verb for verb in _members() if not hasattr(driver, verb)]
    if missing:
        raise UsageError(
            f"{which} lacks {', '.join(missing)}. Derive it from hiltest.node.own.OwnDriver, which has every verb"
        )
    return driver


def _members() -> list[str]:
    """What every driver has: the members of NodeDriver."""
    own = set(vars(NodeDriver)) | set(NodeDriver.__annotations__)
    return sorted(name for name in own if not name.startswith("_"))
