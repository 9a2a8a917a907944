"""`hiltest draft`: what it sees, what it writes, what it leaves blank, and that it disturbs and energises nothing."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

from hiltest.campaign.runner import run_catalogue
from hiltest.canbus import netlink
from hiltest.canbus.opening import open_port
from hiltest.canbus.preflight import InterfaceFacts
from hiltest.cli import main
from hiltest.description.loading import load_description, load_text
from hiltest.draft import Order, draft, look
from hiltest.draft.ask import NodeFound, Reader, ask_node
from hiltest.draft.files import Files
from hiltest.draft.look import Look
from hiltest.draft.text import description_text
from hiltest.errors import BenchError, BenchNotOpened, DescriptionError, UsageError
from hiltest.link import Link
from hiltest.node.search import search
from hiltest.numbering import number
from hiltest.settings import Settings
from hiltest.simbench.bench import Bench, open_bench

from .filling import fill, fill_signals

FIXTURES = Path(__file__).parents[2] / "fixtures"
GLUE_HEAD = FIXTURES / "glue_head.toml"


def order(out: Path, **changes: object) -> Order:
    made = {"interface": "hiltest", "channel": str(GLUE_HEAD), "out": out, "folders": (FIXTURES,)}
    return Order(**{**made, **changes})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def drafted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str], Bench]:
    """A draft of the glue head, what was said, and the bench that it was made on."""
    out = tmp_path_factory.mktemp("draft") / "head.toml"
    with open_bench(GLUE_HEAD) as bench:
        said = draft(order(out))
    return out, said, bench


def test_what_is_seen_is_written(drafted: tuple[Path, list[str], Bench]) -> None:
    """Bit rate, identity, firmware, heartbeat and the EDS that fits, copied beside the file."""
    out, said, _ = drafted
    text = out.read_text()
    for line in (
        "bit_rate_bps = 1000000",
        "node_id = 5",
        "product_code = 0x00474C31",
        "revision = 0x00010002",
        'firmware = "1.4.0"',
        "heartbeat_s = 0.1 ",
        'eds = "glue_head.eds"',
    ):
        assert line in text, line
    assert (out.parent / "glue_head.eds").read_bytes() == (FIXTURES / "glue_head.eds").read_bytes()
    assert any("node 5: GH-1" in line and "CiA 401" in line for line in said)
    assert "process data 0x185, as mapped in the node: 0x7130:1 (16 bit)" in text
    assert "CAUTION" in text


def test_nothing_is_disturbed_and_nothing_energised(drafted: tuple[Path, list[str], Bench]) -> None:
    """Not one output went on, not one object was written, not one error frame came from the adapter."""
    _, _, bench = drafted
    board = bench.boards["head"]
    assert not [change for change in board.changes if change.on]
    assert board.firmware.state == 0x7F, "it was not started"
    assert board.firmware.objects.number(0x1016, 1) == 0x007F_01F4, "as the EDS has it: nobody wrote it"
    assert bench.adapter().controller.counters.tx == 0


def test_every_blank_is_refused_with_its_line(drafted: tuple[Path, list[str], Bench]) -> None:
    """Each blank of the file is one problem, in file order, with what belongs there."""
    out, said, _ = drafted
    marked = [
        number
        for number, line in enumerate(out.read_text().splitlines(), 1)
        if '"<fill in>"' in line and not line.startswith("#")
    ]
    with pytest.raises(DescriptionError) as refused:
        load_description(out)
    assert [problem.line for problem in refused.value.problems] == marked
    assert f"with {len(marked)} blanks" in said[-1]
    voltage = next(each for each in refused.value.problems if each.key == "supply.voltage_v")
    assert (
        "a number above 0, at most 60, in V (nominal voltage at the source's terminals)" in voltage.expected
    )
    scale = next(each for each in refused.value.problems if each.key.endswith("setpoint_c.scale"))
    assert scale.expected == (
        "a number, in degC per count (value of one raw count of role setpoint_c: closed-loop setpoint, degC)"
    )


def test_accept_refuses_the_draft(
    drafted: tuple[Path, list[str], Bench], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, every blank listed, and no bench opened."""
    assert main(["accept", str(drafted[0])]) == 2
    said = capsys.readouterr().err
    assert said.count('found the blank "<fill in>"') >= 40
    assert "head.toml:" in said


def test_once_filled_in_it_is_accepted(drafted: tuple[Path, list[str], Bench], tmp_path: Path) -> None:
    """On the bench of the original description, which knows nothing of the drafted one."""
    for name in ("head.toml", "glue_head.eds"):
        shutil.copy(drafted[0].parent / name, tmp_path / name)
    file = tmp_path / "head.toml"
    fill(file)
    assert load_description(file).description.bus[0].channel == str(GLUE_HEAD)
    record = run_catalogue(Settings(file=file))
    assert record.verdict == "accepted", record.verdict_reason
    assert {"heat.low_setpoint[heater_1]", "motion.return[stepper_1]", "fan.tach[fan_2]"} <= {
        check.name for check in record.checks
    }


def test_it_writes_over_nothing(
    drafted: tuple[Path, list[str], Bench], capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is there stays, unless --replace is given."""
    arguments = ["draft", "--simulate", str(GLUE_HEAD), "--out", str(drafted[0])]
    assert main(arguments) == 2
    assert "--replace" in capsys.readouterr().err


def looked(fault: str, **changes: object) -> tuple[Look, Bench]:
    with open_bench(GLUE_HEAD, faults=[fault] if fault else []) as bench:
        return look.look(order(Path("unused"), **changes)), bench


@pytest.mark.parametrize("rate", [500_000, 125_000])
def test_the_bit_rate_is_found_without_disturbing(rate: int) -> None:
    """A board at another rate than the file says is found by ear; it sees no error frame of ours meanwhile."""
    seen, bench = looked(f"wrong_bit_rate={rate}")
    assert seen.bit_rate_bps == rate
    assert [node.node_id for node in seen.nodes] == [5]
    assert bench.adapter().controller.counters.tx == 0


def test_the_scan_of_a_living_bus_causes_no_error_at_all() -> None:
    """Two boards that talk at 250 kbit/s: while the right rate is looked for, nobody sees an error."""
    text = GLUE_HEAD.read_text().replace("bit_rate_bps = 1_000_000", "bit_rate_bps = 250_000")
    description = load_text(text, FIXTURES).description
    with open_bench(GLUE_HEAD, description=description, folder=FIXTURES) as bench:
        bench.add_board(description.node[0].model_copy(update={"node_id": 6}), "second")
        bench.supply.settle()
        bench.run_for(2.0)  # both have booted; the first to speak was alone
        before = {name: board.firmware.errors_seen for name, board in bench.boards.items()}
        seen = look.look(order(Path("unused"), only_listen=True))
        assert seen.bit_rate_bps == 250_000
        assert [node.node_id for node in seen.nodes] == [5, 6]
        assert {name: board.firmware.errors_seen for name, board in bench.boards.items()} == before
        assert not seen.errors


def test_only_listening_sends_nothing() -> None:
    """Not even a frame to ask; what is known is what was heard."""
    seen, bench = looked("", only_listen=True)
    assert not seen.asked
    assert [(node.node_id, node.presence) for node in seen.nodes] == [(5, None)]
    assert bench.boards["head"].firmware.state == 0x7F
    assert "nothing was sent" in seen.lines()[-1]
    assert any("node 5: was not asked who it is" in line for line in seen.lines())
    assert "does not answer" not in " ".join(seen.lines())


def test_a_board_without_an_id_is_found_and_told_how_to_number(tmp_path: Path) -> None:
    """It says nothing by itself, so the bit rate has to be given; LSS then tells its identity."""
    out = tmp_path / "head.toml"
    with pytest.raises(BenchError, match=r"nobody speaks.*give --bitrate"):
        draft(order(out, options={"faults": "unconfigured_node"}))
    draft(order(out, options={"faults": "unconfigured_node"}, bit_rate_bps=1_000_000))
    text = out.read_text()
    assert "`hiltest number FILE --board SERIAL`" in text
    assert "product_code = 0x00474C31" in text
    assert "serial number 4970445" in text
    assert [each["product_code"] for each in tomllib.loads(text)["node"]] == [0x0047_4C31]


def test_two_boards_get_a_section_each_and_loads_of_their_own(tmp_path: Path) -> None:
    """Nodes as a list, names that differ, and every load hangs on one of them."""
    out = tmp_path / "two.toml"
    description = load_description(GLUE_HEAD).description
    with open_bench(GLUE_HEAD) as bench:
        bench.add_board(description.node[0].model_copy(update={"node_id": 6}), "second")
        bench.supply.settle()
        said = draft(order(out))
    text = out.read_text()
    assert [line.split(":")[0] for line in said if line.startswith("node ")] == ["node 5", "node 6"]
    assert text.count("[[node]]") == 2
    assert re.findall(r'^name = "(gh_1\w*)"', text, re.MULTILINE)[:2] == ["gh_1", "gh_1_6"]
    assert 'name = "gh_1_fan_1"\nnode = "gh_1"' in text
    assert 'name = "gh_1_6_fan_1"\nnode = "gh_1_6"' in text
    assert text.count('eds = "glue_head.eds"') == 2
    assert "[node.roles]" in text
    with pytest.raises(DescriptionError) as refused:
        load_description(out)
    assert {each.key.split(".")[0] for each in refused.value.problems} >= {"fixture", "supply", "node[gh_1]"}


def test_two_boards_under_one_id_are_told(tmp_path: Path) -> None:
    """Before anybody trusts the file."""
    out = tmp_path / "head.toml"
    said = draft(order(out, options={"faults": "duplicate_node_id"}))
    assert any("2 BOARDS ANSWER" in line for line in said)
    assert "2 BOARDS ANSWER UNDER THIS ID" in out.read_text()


def test_a_bus_with_errors_only_is_not_spoken_on(tmp_path: Path) -> None:
    """At a wrong rate that was given by hand the adapter stays silent, and says so."""
    with pytest.raises(BenchError, match=r"only errors are heard at 500,000 bit/s.*nothing was sent"):
        draft(order(tmp_path / "head.toml", bit_rate_bps=500_000))


def test_without_a_fitting_file_the_eds_is_a_blank(tmp_path: Path) -> None:
    """A file of another product is not taken; one that can't be read is named."""
    folder = tmp_path / "files"
    folder.mkdir()
    eds = (FIXTURES / "glue_head.eds").read_text()
    (folder / "other.eds").write_text(eds.replace("0x00474C31", "0x00474C99"))
    (folder / "broken.eds").write_text("no section\n")
    out = tmp_path / "out" / "head.toml"
    draft(order(out, folders=(folder,)))
    text = out.read_text()
    assert 'eds = "<fill in>"' in text
    assert "# a file that could not be read: broken.eds" in text
    assert not (out.parent / "other.eds").exists()


@pytest.mark.parametrize(
    ("device_type", "profile", "of_its_profile"),
    [
        (0x000F_0191, "CiA 401", ("# Digital outputs 0x6200:1", "0x6411:1 CiA 401, analogue output 1")),
        (0x0002_0192, "CiA 402", ('name = "stepper_1"', "# Axis 1 of CiA 402", 'name = "stepper_2"')),
        (0x0002_0194, "CiA 404", ('roles.temperature_c = { at = "0x7130:1", scale = 0.1 }',)),
        (0x0000_0000, "no standard profile", ()),
    ],
)
def test_without_a_file_the_device_type_says_what_is_proposed(
    tmp_path: Path, device_type: int, profile: str, of_its_profile: tuple[str, ...]
) -> None:
    """The node is asked at the indexes of its profile; what it has at those of another one carries a remark."""
    board, out = tmp_path / "board", tmp_path / "out" / "head.toml"
    for folder in (board, tmp_path / "nothing"):
        folder.mkdir()
    shutil.copy(GLUE_HEAD, board)
    eds = (FIXTURES / "glue_head.eds").read_text()
    old = re.search(r"(?s)\[1000\].*?DefaultValue=(\w+)", eds)
    assert old is not None
    (board / "glue_head.eds").write_text(eds[: old.start(1)] + f"0x{device_type:08X}" + eds[old.end(1) :])
    draft(order(out, channel=str(board / "glue_head.toml"), folders=(tmp_path / "nothing",)))
    text = out.read_text()
    assert f"# device type 0x{device_type:08X}: {profile}" in text
    assert "nothing is known of the maker's own objects" in text
    for each in of_its_profile:
        assert each in text, each
    assert ("stepper_1" in text) == (profile == "CiA 402")
    assert "[[heater]]" not in text, "an object of the maker was guessed without its name"
    remark = "At the indexes of CiA 404, while the device type names"
    assert (remark in text) == (profile != "CiA 404")
    assert tomllib.loads(text)["sensor"][0]["roles"]["temperature_c"]["at"] == "0x7130:1"


def test_a_file_of_another_revision_fits_and_says_so(tmp_path: Path) -> None:
    """The better of two is taken, the other one named."""
    folder = tmp_path / "files"
    folder.mkdir()
    eds = (FIXTURES / "glue_head.eds").read_text()
    (folder / "a_old.eds").write_text(eds.replace("0x00010002", "0x00010001"))
    (folder / "b_right.eds").write_text(eds)
    out = tmp_path / "out" / "head.toml"
    draft(order(out, folders=(folder,)))
    text = out.read_text()
    assert 'eds = "b_right.eds"' in text
    assert re.search(r"# fits as well: .*a_old\.eds", text)
    (folder / "b_right.eds").unlink()
    out.unlink()
    (out.parent / "b_right.eds").unlink()
    draft(order(out, folders=(folder,)))
    assert 'eds = "a_old.eds"' in out.read_text()
    assert "its revision is 0x00010001, the node's 0x00010002" in out.read_text()


def test_a_bus_of_signals_is_known_by_its_database(tmp_path: Path) -> None:
    """The vent actuator: no CANopen node answers, and the DBC file explains what is heard."""
    out = tmp_path / "vent.toml"
    said = draft(order(out, channel=str(FIXTURES / "vent_actuator.toml")))
    text = out.read_text()
    assert "bit_rate_bps = 125000" in text
    assert 'database = "vent_actuator.dbc"' in text
    assert 'protocol = "signals"' in text
    assert (tmp_path / "vent_actuator.dbc").exists()
    assert any(line.startswith("not of a CANopen node: 0x") for line in said)
    assert tomllib.loads(text)["node"]["heartbeat"] == "Vent_Status"
    with pytest.raises(DescriptionError):
        load_description(out)


def test_two_databases_are_two_nodes(tmp_path: Path) -> None:
    """Each file is taken for what none before it explains; the one that explains nothing more is left out."""
    (tmp_path / "b_other.dbc").write_text(
        "BO_ 529 Again: 8 Valve\nBO_ 800 Valve_Status: 4 Valve\nBO_ 2147484448 Valve_Long: 8 Valve\n"
    )
    (tmp_path / "a_little.dbc").write_text("BO_ 528 Vent_Status: 8 Vent\n")
    (tmp_path / "vent_actuator.dbc").write_bytes((FIXTURES / "vent_actuator.dbc").read_bytes())
    seen = Look(125_000, "given", listened_only=True)
    lengths = {
        (528, False): 8,
        (529, False): 8,
        (530, False): 8,
        (531, False): 8,
        (800, False): 4,
        (800, True): 8,
        (900, False): 8,
    }
    for key, length in lengths.items():
        seen.heard[key] = look.Sender(*key, lengths={length})
    files = Files((tmp_path,))
    fits = files.fit(seen)
    assert [each.path.name for each in fits.databases] == ["vent_actuator.dbc", "b_other.dbc"]
    assert set(fits.databases[1].matched) == {"Valve_Status", "Valve_Long"}
    files.bring(fits, tmp_path)
    text = description_text(order(tmp_path / "two.toml"), seen, fits)
    assert text.count("[[node]]") == 2
    assert "#   Again (heard, and explained by a node above)" in text
    assert re.findall(r"#   0x(\w+) \(\d\d bit\)", text) == ["384"]


def test_process_data_elsewhere_is_no_stranger(tmp_path: Path) -> None:
    """A TPDO at 0x3C6 and emergencies at 0x1F0: as read from the node, without any file; and as its file states them."""
    board = tmp_path / "board"
    board.mkdir()
    eds = (FIXTURES / "glue_head.eds").read_text()
    for old, new in (("$NODEID+0x380\n", "0x3C6\n"), ("$NODEID+0x80\n", "0x1F0\n")):
        assert eds.count(old) == 1
        eds = eds.replace(old, new)
    (board / "glue_head.eds").write_text(eds)
    shutil.copy(GLUE_HEAD, board)
    seen = look.look(order(tmp_path / "a.toml", channel=str(board / "glue_head.toml")))
    told = {*seen.nodes[0].process_data, *seen.nodes[0].stated}
    assert told >= {(0x185, False), (0x285, False), (0x3C6, False), (0x1F0, False)}
    for key in ((0x3C6, False), (0x1F0, False), (0x080, False), (0x301, False)):
        seen.heard[key] = look.Sender(*key)
    assert [each.can_id for each in seen.strangers()] == [0x301]

    seen.nodes[0].process_data, seen.nodes[0].stated = {}, set()
    Files((board,)).fit(seen)
    assert [each.can_id for each in seen.strangers()] == [0x1F0, 0x301]


def test_a_serial_number_that_was_not_read_is_no_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    """CiA 301 makes vendor mandatory and leaves the serial number (0x1018:4) to the maker."""
    numbers = {(0x1000, 0): 0, (0x1018, 1): 7, (0x1018, 2): 8, (0x1018, 3): 9}

    def bytes_of(_: Reader, index: int, sub: int = 0) -> bytes | None:
        found = numbers.get((index, sub))
        return None if found is None else found.to_bytes(4, "little")

    monkeypatch.setattr(Reader, "bytes_of", bytes_of)
    with open_bench(GLUE_HEAD):
        port, _ = look._opened(order(Path("unused")), look._Start(1_000_000, "given", quiet=False))
        link = Link(port)
        told = []
        for numbers[0x1018, 4] in (0, 12):
            node = NodeFound(5)
            ask_node(link, node)
            told.append(node.text(None))
        del numbers[0x1018, 4]
        node = NodeFound(5)
        ask_node(link, node)
        link.close()
    assert ["serial number 0 " in told[0], "serial number 12 " in told[1]] == [True, True]
    assert "serial number not told" in node.text(None)


def test_the_draft_of_a_bus_of_signals_is_accepted_once_filled_in(tmp_path: Path) -> None:
    """The file can't say what hangs on a signal: the draft says so, and names every signal that the loads then have."""
    out, vent = tmp_path / "vent.toml", FIXTURES / "vent_actuator.toml"
    draft(order(out, channel=str(vent)))
    text = out.read_text()
    assert "What a DBC file can't say is what hangs on which signal, so no load is proposed" in text
    listed = " ".join(re.findall(r"(?m)^#     (.*)", text))
    blocks = re.split(r"(?m)^(?=\[)", vent.read_text(encoding="utf-8"))
    added = "".join(
        each for each in blocks if re.match(r"\[\[?(node\.|sensor|heater|fan|stepper|switch)", each)
    )
    for message, signal in set(re.findall(r'"(Vent_\w+)\.(\w+)"', added)):
        assert f"#   {message}" in text
        assert re.search(rf"\b{signal}\b", listed), signal
    out.write_text(fill_signals(text) + added, encoding="utf-8")
    record = run_catalogue(Settings(file=out))
    assert record.verdict == "accepted", record.verdict_reason
    assert {"heat.low_setpoint[pad]", "motion.return[screw]", "fan.tach[box]"} <= {
        check.name for check in record.checks
    }


def places_of(bench: subprocess.Popen[str]) -> dict[str, str]:
    """Where the doors of a bench in another process are."""
    assert bench.stdout is not None
    places = {}
    for line in bench.stdout:
        if line.strip() == "ready":
            break
        name, _, place = line.strip().partition(": ")
        places[name] = place
    return places


@pytest.mark.timeout(120)
def test_through_a_serial_adapter_in_real_time(tmp_path: Path) -> None:
    """The bench in another process, its adapter on a pseudo-terminal: two boards at a bit rate that is found by ear."""
    command = [sys.executable, "-m", "hiltest.cli", "bench", str(FIXTURES / "sample_chiller.toml")]
    out = tmp_path / "chiller.toml"
    with subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as bench:
        try:
            adapter = places_of(bench)["adapter"]
            time.sleep(1.5)  # the boards boot
            options = {"command_timeout_s": 10.0}
            said = draft(order(out, interface="hiltest-serial", channel=adapter, options=options))
        finally:
            bench.terminate()
    text = out.read_text()
    assert "bit_rate_bps = 500000" in text, said
    assert 'eds = "sample_chiller.chamber.eds"' in text
    assert 'eds = "sample_chiller.carousel.eds"' in text
    assert text.count("heartbeat_s = 0.1 ") == 2
    assert f'channel = "{adapter}"' in text


@pytest.mark.timeout(120)
def test_a_board_is_numbered_through_a_serial_adapter_and_stays_so(tmp_path: Path) -> None:
    """Real time: found by fast scan, numbered, and found from then on under its new id."""
    command = [sys.executable, "-m", "hiltest.cli", "bench", str(GLUE_HEAD), "--fault", "unconfigured_node"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as bench:
        try:
            adapter = places_of(bench)["adapter"]
            for name in ("glue_head.toml", "glue_head.eds"):
                shutil.copy(FIXTURES / name, tmp_path / name)
            text = (tmp_path / "glue_head.toml").read_text()
            text = text.replace('interface = "socketcan"', 'interface = "hiltest-serial"')
            text = text.replace(
                'channel = "can0"', f'channel = "{adapter}"\noptions = {{ command_timeout_s = 10.0 }}'
            )
            (tmp_path / "glue_head.toml").write_text(text.replace("node_id = 5", "node_id = 23"))
            done = number(Settings(file=tmp_path / "glue_head.toml"))
            assert (done.node_id, done.identity.product_code) == (23, 0x0047_4C31)
            assert done.boot_s is not None
            link = Link(open_port(load_description(tmp_path / "glue_head.toml").description.bus[0]))
            found = search(link, 1.5)
            link.close()
        finally:
            bench.terminate()
    assert list(found) == [23]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "give --simulate FILE, or --interface"),
        (["--interface", "slcan"], "needs --channel"),
        (
            ["--interface", "slcna", "--channel", "x"],
            "no adapter family of python-can; did you mean 'slcan'? It knows",
        ),
        (["--interface", "virtual", "--channel", "x"], "give --bitrate"),
        (["--simulate", str(GLUE_HEAD), "--files", "/nowhere"], "no folder"),
        (["--simulate", str(GLUE_HEAD), "--bitrate", "5"], "expected 10000 to 1000000"),
        (["--interface", "virtual", "--channel", "x", "--fault", "no_node"], "add --simulate"),
    ],
)
def test_a_wrong_command_line(
    arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and what to do."""
    assert main(["draft", *arguments, "--out", str(tmp_path / "a.toml")]) == 2
    assert words in capsys.readouterr().err


def test_hostile_texts_of_a_node_stay_comments() -> None:
    """A node may call itself anything: no line of the file is broken by it."""
    from hiltest.draft.text import _clean, text_of

    nasty = 'a\n[supply]\nvoltage_v = 1 "\\'
    assert "\n" not in _clean(nasty)
    assert "\n" not in text_of(nasty)


def test_a_bit_rate_that_contradicts_the_kernel_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The interface's own rate counts; another one on the command line is not passed over in silence."""
    monkeypatch.setattr(netlink, "read_facts", lambda channel: InterfaceFacts(channel, bitrate=500_000))
    with pytest.raises(UsageError, match=r"can0 is set to 500000 .*--bitrate says 250000.*ip link set can0"):
        draft(order(tmp_path / "a.toml", interface="socketcan", channel="can0", bit_rate_bps=250_000))


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        (InterfaceFacts("can0", exists=False), "There is no CAN interface here: is the adapter plugged in"),
        (InterfaceFacts("can0", exists=False, neighbours=("can1",)), "CAN interfaces here: can1"),
        (InterfaceFacts("can0", is_up=False, settable=False), "`ip link set can0 up type can bitrate BPS`"),
    ],
)
def test_a_socketcan_interface_without_a_bit_rate_says_what_is_missing(
    facts: InterfaceFacts, says: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The interface itself, or what root sets in the kernel; an option of ours would not bring either."""
    monkeypatch.setattr(netlink, "read_facts", lambda _name: facts)
    with pytest.raises(BenchNotOpened) as caught:
        look.look(Order("socketcan", "can0", tmp_path / "out.toml"))
    assert says in str(caught.value)
    assert "give --bitrate" not in str(caught.value)
