"""Which EDS, DCF and DBC files of some folders fit what was seen on the bus."""

from __future__ import annotations

import configparser
import contextlib
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.description.bounded import EDS_BYTES_MAX, eds_text, one_line
from hiltest.description.dbc import ListedMessage, read_messages
from hiltest.description.eds import stated_cob_ids
from hiltest.description.senders import process_data_ids

if TYPE_CHECKING:
    from hiltest.draft.ask import NodeFound
    from hiltest.draft.look import Look, Sender
    from hiltest.node.verbs import Identity

FILES_MAX = 2000
"""Of each folder: a whole home directory given by mistake is not read to its end."""


@dataclass(frozen=True, slots=True)
class DeviceFile:
    """The identity that an EDS or DCF file states; None where it says nothing. `node_id` is a DCF's."""

    path: Path
    vendor: int | None
    product: int | None
    revision: int | None
    node_id: int | None = None

    def agreement(self, identity: Identity, node_id: int) -> int:
        """0: another device; else the more the better: vendor and product must agree, revision and node id may."""
        if self.product is None or self.product != identity.product_code:
            return 0
        if self.vendor is not None and self.vendor != identity.vendor_id:
            return 0
        return 1 + 2 * (self.revision == identity.revision) + (self.node_id == node_id)

    def words(self, identity: Identity) -> str:
        """How well it fits."""
        if self.revision == identity.revision:
            return "vendor, product and revision as the node says"
        told = "none" if self.revision is None else f"0x{self.revision:08X}"
        return f"vendor and product as the node says; its revision is {told}, the node's 0x{identity.revision:08X}"


@dataclass(frozen=True, slots=True)
class Database:
    """A DBC file, and which of its messages were heard with the length that it states. `shared` were heard as well, and
    are explained by a file before this one.
    """

    path: Path
    matched: dict[str, Sender]
    wrong_length: tuple[str, ...]
    shared: tuple[str, ...] = ()


@dataclass(slots=True)
class Fits:
    """What fits: device file by node id, and databases for what no CANopen node sends, the one that explains most first.

    `others` are files that fit a node as well; `unread` are files that could not be read, with the reason.
    """

    device: dict[int, DeviceFile] = field(default_factory=dict)
    others: dict[int, list[DeviceFile]] = field(default_factory=dict)
    databases: list[Database] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    local: dict[Path, str] = field(default_factory=dict)


class Files:
    """The device files and databases of some folders."""

    def __init__(self, folders: tuple[Path, ...]) -> None:
        self._folders = tuple(dict.fromkeys(folder.resolve() for folder in folders))

    def fit(self, seen: Look) -> Fits:
        """Find the files that fit; a file that can't be read is noted and passed over."""
        fits = Fits()
        known = [
            each for path in self._found(".eds", ".dcf") if (each := _read_device(path, fits)) is not None
        ]
        for node in seen.nodes:
            identity = node.identity
            if identity is None:
                continue
            ranked = sorted(known, key=lambda each: -each.agreement(identity, node.node_id))
            fitting = [each for each in ranked if each.agreement(identity, node.node_id)]
            if fitting:
                fits.device[node.node_id] = fitting[0]
                fits.others[node.node_id] = fitting[1:]
                _take_stated(node, fitting[0].path)
        fits.databases = list(self._databases(seen, fits))
        return fits

    def _databases(self, seen: Look, fits: Fits) -> Iterator[Database]:
        """The file that explains most of what was heard, then the one that explains most of the rest, and so on."""
        left, told = seen.strangers(), set[tuple[int, bool]]()
        files: dict[Path, dict[str, ListedMessage]] = {}
        for path in self._found(".dbc") if left else ():
            try:
                files[path] = read_messages(path)
            except (OSError, ValueError) as error:
                fits.unread.append(f"{path.name}: {error}")
        while True:
            found = [_compare(path, listed, left) for path, listed in files.items()]
            fitting = [each for each in found if len(each.matched) > len(each.wrong_length)]
            if not fitting:
                return
            best = max(fitting, key=lambda each: len(each.matched))  # of equals the first
            listed = files.pop(best.path)
            shared = (name for name, each in listed.items() if (each.can_id, each.extended) in told)
            yield replace(best, shared=tuple(shared))
            told |= {(each.can_id, each.extended) for each in best.matched.values()}
            left = [each for each in left if (each.can_id, each.extended) not in told]

    def _found(self, *endings: str) -> Iterator[Path]:
        for folder in self._folders:
            if not folder.is_dir():
                continue
            files = sorted(
                path for path in folder.iterdir() if path.suffix.lower() in endings and path.is_file()
            )
            yield from (path for path in files[:FILES_MAX] if path.stat().st_size <= EDS_BYTES_MAX)

    def bring(self, fits: Fits, folder: Path) -> list[Path]:
        """Copy what fits beside the description, which may name files in its own folder only. Returns the copies."""
        wanted = [each.path for each in fits.device.values()]
        wanted += [each.path for each in fits.databases]
        copies = []
        for path in dict.fromkeys(wanted):
            if path.is_relative_to(folder.resolve()):
                fits.local[path] = path.relative_to(folder.resolve()).as_posix()
                continue
            copy = _free_name(folder, path)
            if not copy.exists():
                shutil.copyfile(path, copy)
                copies.append(copy)
            fits.local[path] = copy.name
        return copies


def _take_stated(node: NodeFound, file: Path) -> None:
    """Note where else the node sends by its file; the file was read before, or stands among the unread."""
    with contextlib.suppress(OSError, ValueError):
        node.stated |= process_data_ids(stated_cob_ids(file, node.node_id))


def _free_name(folder: Path, path: Path) -> Path:
    """The name for a copy: its own, or with a number where another file has it."""
    content = path.read_bytes()
    for number in range(1, 100):
        copy = folder / (path.name if number == 1 else f"{path.stem}_{number}{path.suffix}")
        if not copy.exists() or copy.read_bytes() == content:
            return copy
    return folder / path.name


def _compare(path: Path, listed: dict[str, ListedMessage], strangers: list[Sender]) -> Database:
    heard = {(each.can_id, each.extended): each for each in strangers}
    matched: dict[str, Sender] = {}
    wrong = []
    for name, message in listed.items():
        sender = heard.get((message.can_id, message.extended))
        if sender is None:
            continue
        if sender.lengths == {message.length_bytes}:
            matched[name] = sender
        else:
            wrong.append(name)
    return Database(path, matched, tuple(wrong))


def _read_device(path: Path, fits: Fits) -> DeviceFile | None:
    ini = configparser.RawConfigParser(
        strict=False, inline_comment_prefixes=(";",), comment_prefixes=(";", "#")
    )
    try:
        ini.read_string(eds_text(path))
    except (OSError, ValueError, configparser.Error) as error:
        fits.unread.append(f"{path.name}: {one_line(error, 120)}")
        return None
    sections = {section.lower(): section for section in ini.sections()}

    def number(section: str, key: str) -> int | None:
        name = sections.get(section)
        return None if name is None else _number(ini.get(name, key, fallback=""))

    def identity(sub: int, key: str) -> int | None:
        for section, entry in (
            (f"1018sub{sub}", "parametervalue"),
            (f"1018sub{sub}", "defaultvalue"),
            ("deviceinfo", key),
        ):
            found = number(section, entry)
            if found is not None:
                return found
        return None

    return DeviceFile(
        path,
        identity(1, "vendornumber"),
        identity(2, "productnumber"),
        identity(3, "revisionnumber"),
        number("devicecomissioning", "nodeid"),
    )


_NUMBER = re.compile(r"0[xX][0-9a-fA-F]{1,8}|\d{1,10}")


def _number(text: str) -> int | None:
    text = text.strip()
    if not _NUMBER.fullmatch(text):
        return None
    return int(text, 16) if text.lower().startswith("0x") else int(text)
