"""From a node of the description to the driver that speaks its protocol."""

from __future__ import annotations

import difflib
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.description.models import Description, Node
from hiltest.errors import UsageError
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
        UsageError: no such node, no driver for its protocol, or no such own driver.
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
    if part.protocol == "own":
        return _own(link, description, part, folder)
    raise UsageError(
        f"node {part.name!r}: protocol = {part.protocol!r} is not built yet. Drivers there are: 'canopen', 'signals', 'frames', "
        f"and 'own' with a driver of your own from the entry point group {DRIVERS_GROUP!r}"
    )


def _find(description: Description, name: str) -> Node:
    for part in description.node:
        if part.name == name:
            return part
    names = [part.name for part in description.node]
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"it has {', '.join(names)}"
    raise UsageError(f"the description has no node {name!r}; {hint}")


def _own(link: Link, description: Description, part: Node, folder: Path | None) -> NodeDriver:
    known = {point.name: point for point in entry_points(group=DRIVERS_GROUP)}
    if part.driver is None or part.driver not in known:
        listed = ", ".join(sorted(known)) or "none"
        raise UsageError(
            f"node {part.name!r}: driver = {part.driver!r} is not in the entry point group {DRIVERS_GROUP!r}. "
            f"Installed there: {listed}. Install the package that brings it, or mend the name"
        )
    try:
        make = known[part.driver].load()
    except Exception as error:
        raise UsageError(
            f"node {part.name!r}: driver {part.driver!r} ({known[part.driver].value}) could not be imported: "
            f"{type(error).__name__}: {error}"
        ) from error
    driver: NodeDriver = make(link, description, part.name, folder)
    return driver
