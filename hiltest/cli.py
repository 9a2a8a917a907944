"""The command `hiltest`. Thin: each command calls one function elsewhere and prints what it returns."""

from __future__ import annotations

import argparse
import difflib
import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from hiltest.errors import BenchError, HiltestError, UsageError

ACCEPTED, REJECTED, WRONG_USE, NO_BENCH, INCOMPLETE = 0, 1, 2, 3, 4
EXIT_CODES = (
    "exit codes: 0 accepted, 1 rejected, 2 wrong file or command line, 3 bench not opened, 4 incomplete"
)


FAULT_HELP = (
    "put this fault into the simulation; may be given again for more. NAME[PART]=VALUE@SECONDS, of which PART, "
    "VALUE and SECONDS (from when on, bench time) may be left out: heater_weak[reservoir]=2@30. `hiltest faults` lists "
    "them"
)
ONLY_HELP = (
    "this check, its gates and what it builds on; may be given again for more. GROUP.NAME for every part, "
    "GROUP.NAME[PART] for one: heat.pulse[reservoir], or GROUP for all of a group: heat. `hiltest checks` lists them"
)
FAULTS_EPILOG = (
    "sorted by group. A line is: the name; what it hits; the value it has without =VALUE, if it takes one; what it is. "
    "Write NAME[PART]=VALUE@SECONDS: PART is the name of the bus, node or load in the description (the first if left "
    "out; ONE+OTHER where two are exchanged), SECONDS the bench time from which it is there. Below stand the faults that no "
    "check finds, each with why, and what to do by hand."
)


class _Parser(argparse.ArgumentParser):
    """Takes options in full only, since a beginning of one may be another's tomorrow, and names the nearest."""

    def __init__(self, *args: Any, **settings: Any) -> None:
        super().__init__(*args, **{"allow_abbrev": False, **settings})
        self.commands: Mapping[str, argparse.ArgumentParser] = {}

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        first = next(iter(sys.argv[1:] if args is None else args), "-")
        if self.commands and not first.startswith("-") and first not in self.commands:
            near = difflib.get_close_matches(first, self.commands, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else "."
            self.error(f"no command {first!r}{hint} There are: {', '.join(self.commands)}")
        found, unknown = self.parse_known_args(args, namespace)
        if unknown:
            parser = self.commands.get(getattr(found, "command", ""), self)
            told = [word for word in unknown if word.startswith("-")] or unknown
            parser.error("; ".join(_unknown(word, parser) for word in told))
        return found


def _unknown(word: str, parser: argparse.ArgumentParser) -> str:
    name = word.partition("=")[0]
    known = [option for option in re.findall(r"--[a-z-]+", parser.format_help()) if option != name]
    begun = [option for option in known if len(name) > 2 and option.startswith(name)]
    near = begun[:1] or (difflib.get_close_matches(name, known, n=1) if name.startswith("-") else [])
    return f"{word!r} is not known here" + (f"; did you mean {near[0]}?" if near else "")


class _Version(argparse.Action):
    """Look the version up only when somebody asks."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        print(f"hiltest {version('hiltest')}")
        parser.exit(ACCEPTED)


def _parser() -> _Parser:
    parser = _Parser(prog="hiltest", description="Acceptance tests for small CAN nodes with heat and motion.")
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version of hiltest")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    parser.commands = commands.choices

    accept = commands.add_parser("accept", help="test one unit and give a verdict", epilog=EXIT_CODES)
    accept.add_argument("file", metavar="FILE", help="fixture description")
    accept.add_argument("--simulate", action="store_true", help="on the simulated bench, not on the real one")
    accept.add_argument("--serial", default="unnamed", metavar="SN", help="serial number of the unit")
    accept.add_argument("--only", action="append", default=[], metavar="CHECK", help=ONLY_HELP)
    accept.add_argument("--out", default="runs", metavar="DIR", help="where run folders are made (runs)")
    accept.add_argument("--fault", action="append", default=[], metavar="NAME", help=FAULT_HELP)
    accept.add_argument("--seed", type=int, metavar="N", help="seed of the simulation")
    accept.add_argument(
        "--answers", metavar="FILE", help="the operator's answers, for a run without a person"
    )
    accept.add_argument("--json", action="store_true", help="print run.json's content and nothing else")
    accept.set_defaults(run=_accept)

    desk = commands.add_parser(
        "desk",
        help="the paper checks alone: no bench, no hardware",
        epilog="exit codes: 0 all passed, 1 one did not, 2 wrong file or command line",
    )
    desk.add_argument("file", metavar="FILE", help="fixture description")
    desk.add_argument("--json", action="store_true", help="print the checks as in run.json and nothing else")
    desk.set_defaults(run=_desk)

    bench = commands.add_parser(
        "bench",
        help="open the simulated bench's doors for other programs",
        description="Opens the simulated bench in real time. Prints where each door is, one `name: place` a line, "
        "then `ready`, and serves until Ctrl-C or SIGTERM.",
    )
    bench.add_argument("file", metavar="FILE", help="fixture description")
    bench.add_argument("--fault", action="append", default=[], metavar="NAME", help=FAULT_HELP)
    bench.add_argument("--seed", type=int, metavar="N", help="seed, in place of the file's")
    bench.add_argument(
        "--show-outputs",
        action="store_true",
        help="after `ready` also print each output that really goes on or off, whatever the node says of it: "
        "bench time in s, output, on or off, like `12.345 heater:reservoir on`",
    )
    bench.set_defaults(run=_bench)

    draft = commands.add_parser(
        "draft",
        help="look at a live bus and write a description to complete",
        description="Listens first, without taking part where the adapter can; then asks each node what it is. Reads only: "
        "nothing is commanded, nothing is energised. What it could not see stands as a blank, which hiltest refuses.",
        epilog="exit codes: 0 written, 2 wrong command line, 3 bench not opened, or nobody heard",
    )
    draft.add_argument("--simulate", metavar="FILE", help="the simulated bench of this description")
    draft.add_argument("--interface", metavar="NAME", help="python-can's name of the adapter family")
    draft.add_argument("--channel", metavar="NAME", help="python-can's channel")
    draft.add_argument("--bitrate", type=int, metavar="BPS", help="default: found by listening")
    draft.add_argument(
        "--files",
        action="append",
        default=[],
        metavar="DIR",
        help="look here for EDS, DCF and DBC files that fit",
    )
    draft.add_argument("--listen-only", action="store_true", help="send nothing at all")
    draft.add_argument("--out", required=True, metavar="FILE", help="description to write")
    draft.add_argument("--replace", action="store_true", help="write over FILE")
    draft.add_argument(
        "--fault", action="append", default=[], metavar="NAME", help="inject into the simulation"
    )
    draft.add_argument("--seed", type=int, metavar="N", help="seed of the simulation")
    draft.set_defaults(run=_draft)

    number = commands.add_parser(
        "number",
        help="give a board without a node id the id of the description (LSS)",
        epilog="exit codes: 0 numbered, 2 wrong file or command line, 3 bench not opened, 4 not numbered",
    )
    number.add_argument("file", metavar="FILE", help="fixture description")
    number.add_argument("--node", metavar="NAME", help="which node of the description; default: the only one")
    number.add_argument(
        "--board", type=int, metavar="SERIAL", help="serial number of the board, if several have no id"
    )
    number.add_argument("--simulate", action="store_true", help="on the simulated bench")
    number.add_argument(
        "--fault", action="append", default=[], metavar="NAME", help="inject into the simulation"
    )
    number.set_defaults(run=_number)

    for name, text, run in (
        ("checks", "list the checks of the catalogue", _checks),
        ("faults", "list the faults of the simulated bench", _faults),
    ):
        listing = commands.add_parser(name, help=text, epilog=FAULTS_EPILOG if name == "faults" else None)
        listing.add_argument("--json", action="store_true")
        listing.set_defaults(run=run)

    explain = commands.add_parser("explain", help="what a check does, its hazard, limits and likely causes")
    explain.add_argument(
        "name", nargs="?", metavar="CHECK", help="GROUP.NAME, or GROUP for the checks of a group"
    )
    explain.set_defaults(run=_explain)

    schema = commands.add_parser("schema", help="print the JSON Schema of a fixture description")
    schema.set_defaults(run=_schema)

    manual = commands.add_parser("manual", help="print a page of the manual; without PAGE its index")
    manual.add_argument("page", nargs="?", default="README", metavar="PAGE")
    manual.set_defaults(run=_manual)

    report = commands.add_parser("report", help="draw the report of a run folder again")
    report.add_argument("folder", metavar="DIR")
    report.set_defaults(run=_report)

    example = commands.add_parser("example", help="write a scenario to a folder; without NAME list them")
    example.add_argument("name", nargs="?", metavar="NAME")
    example.add_argument("--out", default=".", metavar="DIR")
    example.set_defaults(run=_example)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.run
    try:
        return command(options)
    except UsageError as error:
        _complain(str(error))
        return WRONG_USE
    except BenchError as error:
        _complain("\n".join([str(error), *(f"look first: {where}" for where in error.look_first)]))
        return NO_BENCH
    except HiltestError as error:
        _complain(str(error))
        return INCOMPLETE
    except KeyboardInterrupt:
        _complain("interrupted")
        return INCOMPLETE
    except BrokenPipeError:
        # Whoever read has seen enough; Python would complain once more when it closes standard output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return (
            INCOMPLETE if options.command in ("accept", "desk") else ACCEPTED
        )  # never a verdict nobody gave
    except OSError as error:
        _complain(f"{error.filename or 'a file'}: {error.strerror or error}")
        return WRONG_USE


def _complain(text: str) -> None:
    """Say what is wrong on standard error; on a terminal no word is cut in two."""
    from hiltest.evidence.text import spoken

    lines = spoken(f"hiltest: {text}").splitlines()
    if sys.stderr.isatty():
        width = max(40, shutil.get_terminal_size().columns - 1)
        lines = [part for line in lines for part in _wrapped(line, width)]
    print("\n".join(lines), file=sys.stderr)


def _wrapped(line: str, width: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.wrap(
        line.strip(),
        width,
        initial_indent=indent,
        subsequent_indent=indent + "    ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _accept(options: argparse.Namespace) -> int:
    from hiltest.accept import accept
    from hiltest.settings import Settings

    if options.fault and not options.simulate:
        raise UsageError("--fault injects into the simulated bench: add --simulate")
    if options.seed is not None and not options.simulate:
        raise UsageError("--seed is the simulated bench's: add --simulate")
    _look_up(Path(options.file), options.fault)
    settings = Settings(
        file=Path(options.file),
        simulate=options.simulate,
        unit=options.serial,
        out=Path(options.out),
        only=tuple(options.only),
        faults=tuple(options.fault),
        seed=options.seed,
        answers=Path(options.answers) if options.answers else None,
    )
    return accept(settings, as_json=options.json)


def _look_up(file: Path, faults: Sequence[str]) -> None:
    """Refuse a fault that is not known, or that this description has no part for, before anything is begun."""
    if not faults:
        return
    from hiltest.description.loading import load_description
    from hiltest.simbench.bench import refuse_unusable

    loaded = load_description(file)
    refuse_unusable(loaded.description, loaded.path.parent, faults)


def _desk(options: argparse.Namespace) -> int:
    from hiltest.accept import desk

    return desk(Path(options.file), as_json=options.json)


def _bench(options: argparse.Namespace) -> int:
    from hiltest.simbench.doors.serve import serve

    return serve(
        Path(options.file), faults=options.fault, seed=options.seed, show_outputs=options.show_outputs
    )


def _draft(options: argparse.Namespace) -> int:
    from hiltest.draft import SIMULATED, Order, draft, simulated

    if bool(options.simulate) == bool(options.interface):
        raise UsageError("give --simulate FILE, or --interface and --channel of the adapter")
    if options.interface and not options.channel:
        raise UsageError("--interface needs --channel beside it")
    if not options.simulate and (options.fault or options.seed is not None):
        raise UsageError("--fault and --seed are the simulated bench's: add --simulate FILE")
    channel, more = options.channel, None
    if options.simulate:
        channel, more = simulated(Path(options.simulate), tuple(options.fault), options.seed)
    order = Order(
        options.interface or SIMULATED,
        channel,
        Path(options.out),
        options.bitrate,
        more or {},
        tuple(map(Path, options.files)),
        options.listen_only,
        options.replace,
    )
    print("\n".join(draft(order)))
    return ACCEPTED


def _number(options: argparse.Namespace) -> int:
    from hiltest.numbering import number
    from hiltest.settings import Settings

    settings = Settings(file=Path(options.file), simulate=options.simulate, faults=tuple(options.fault))
    print(number(settings, options.node, options.board).text())
    return ACCEPTED


def _checks(options: argparse.Namespace) -> int:
    from hiltest.catalogue.registry import checks

    rows: list[dict[str, object]] = [
        {"name": spec.name, "per": spec.per, "purpose": spec.page.purpose, "gates": list(spec.gates)}
        for spec in checks()
    ]
    return _list(rows, options.json, "purpose")


def _faults(options: argparse.Namespace) -> int:
    from hiltest.campaign.unseen import UNSEEN
    from hiltest.simbench.faults import FAULTS

    rows: list[dict[str, object]] = [
        {
            "name": fault.name,
            "group": fault.group,
            "about": fault.about,
            "target": fault.target,
            "value": fault.default if fault.takes_value else None,
            "unit": fault.unit,
        }
        for fault in sorted(FAULTS.values(), key=lambda each: (each.group, each.name))
    ]
    if options.json:
        return _list(rows, True, "about")
    for row in rows:
        row["how"] = f"[{row['target']}]" + (f"={row['value']:g}" if row["value"] is not None else "")
        if row["unit"]:
            row["about"] = f"{row['about']} (value: {row['unit']})"
    wide = max(len(str(row["how"])) for row in rows)
    for row in rows:
        row["about"] = f"{row['how']!s:<{wide}}  {row['about']}"
    _list(rows, False, "about")
    print("\nNo check finds these on a whole board:")
    for each in UNSEEN:
        print(f"{each.fault}\n  why: {each.reason}\n  by hand: {each.by_hand}")
    return ACCEPTED


def _list(rows: list[dict[str, object]], as_json: bool, text: str) -> int:
    if as_json:
        print(json.dumps(rows, indent=2))
        return ACCEPTED
    width = max(len(str(row["name"])) for row in rows)
    for row in rows:
        print(f"{row['name']!s:<{width}}  {row[text]}")
    return ACCEPTED


def _explain(options: argparse.Namespace) -> int:
    from hiltest.catalogue.pages import page_text

    if options.name is None:
        raise UsageError(
            "explain which check? Give GROUP.NAME, or GROUP for all of a group; `hiltest checks` lists them"
        )
    print(page_text(options.name))
    return ACCEPTED


def _manual(options: argparse.Namespace) -> int:
    from hiltest.docs import page

    print(page(options.page))
    return ACCEPTED


def _schema(options: argparse.Namespace) -> int:
    del options
    from hiltest.description.schema import schema_text

    print(schema_text())
    return ACCEPTED


def _report(options: argparse.Namespace) -> int:
    from hiltest.evidence.runfolder import draw_again

    print(draw_again(Path(options.folder)))
    return ACCEPTED


def _example(options: argparse.Namespace) -> int:
    from hiltest.scenarios import names, write

    if options.name is None:
        print("\n".join(names()))
        return ACCEPTED
    for path in write(options.name, Path(options.out)):
        print(path)
    return ACCEPTED


if __name__ == "__main__":
    sys.exit(main())
