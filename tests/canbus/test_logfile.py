from __future__ import annotations

import io
from pathlib import Path

import can
import pytest
from hypothesis import given

from hiltest.canbus.accounting import BusAccount
from hiltest.canbus.batch import to_frames
from hiltest.canbus.frame import Frame, from_message
from hiltest.canbus.logfile import LOG_EPOCH_S, LogWriter, analyse, iter_log, parse_line, read_log
from hiltest.errors import UsageError

from .traffic import frames, mixed


def written(path: Path, some: list[Frame], **settings: object) -> Path:
    with LogWriter(path, **settings) as log:  # type: ignore[arg-type]
        log.write_all(some)
    return path


def same(found: list[Frame], expected: list[Frame]) -> bool:
    """Content, stamp and direction."""
    return [(f, f.t_ns, f.is_rx) for f in found] == [(f, f.t_ns, f.is_rx) for f in expected]


@pytest.mark.parametrize("epoch_s", [0, LOG_EPOCH_S])
@pytest.mark.parametrize("block_bytes", [200, 1 << 19])
def test_what_was_written_is_read(tmp_path: Path, epoch_s: int, block_bytes: int) -> None:
    """Every kind of frame, any size of block, seconds of any number of digits."""
    some = mixed(3000, 5, errors=True)
    some[1500:] = [frame.at(frame.t_ns + 95 * 10**9, frame.is_rx) for frame in some[1500:]]
    path = written(tmp_path / "bus.log", some, epoch_s=epoch_s)

    blocks = iter_log(path, epoch_s=epoch_s, block_bytes=block_bytes)

    assert same([frame for rows in blocks for frame in to_frames(rows)], some)
    assert same(to_frames(read_log(path, epoch_s=epoch_s)), some)


@given(frames())
def test_one_line_and_back_is_the_same_frame(frame: Frame) -> None:
    """The line parser reads what the writer writes."""
    text = io.StringIO()
    LogWriter(text, channel="bus0").write(frame.at(1_234_000, is_rx=False))

    t_ns, channel, found = parse_line(text.getvalue())

    assert (t_ns, channel) == (LOG_EPOCH_S * 10**9 + 1_234_000, "bus0")
    assert found == frame
    assert not found.is_rx


def test_python_can_reads_the_log(tmp_path: Path) -> None:
    """Frames and bus errors alike; its reader keeps no class of an error and no DLC above the data."""
    some = mixed(2000, 6, errors=True)
    path = written(tmp_path / "bus.log", some)

    messages = list(can.CanutilsLogReader(path))

    assert len(messages) == len(some)
    for message, frame in zip(messages, some, strict=True):
        assert message.is_error_frame == frame.error
        if not frame.error:
            assert from_message(message, LOG_EPOCH_S)[:7] == frame[:7]
            assert message.timestamp == pytest.approx(LOG_EPOCH_S + frame.t_ns / 1e9, abs=1e-6)


def test_logs_of_python_can_are_read(tmp_path: Path) -> None:
    """Both ways round."""
    some = [frame for frame in mixed(500, 7) if not frame.remote]
    with can.CanutilsLogWriter(tmp_path / "bus.log", channel="can3") as writer:
        for frame in some:
            writer.on_message_received(
                can.Message(
                    timestamp=1e9 + frame.t_ns / 1e9,
                    arbitration_id=frame.can_id,
                    is_extended_id=frame.extended,
                    data=frame.data,
                    is_fd=frame.fd,
                    bitrate_switch=frame.bitrate_switch,
                    is_rx=frame.is_rx,
                )
            )

    found = to_frames(read_log(tmp_path / "bus.log", epoch_s=10**9))

    assert [(f, f.is_rx) for f in found] == [(f, f.is_rx) for f in some]


def test_equal_runs_give_equal_bytes(tmp_path: Path) -> None:
    """Bench time and a fixed epoch: nothing of the machine's clock."""
    first = written(tmp_path / "a.log", mixed(100, 8)).read_bytes()

    assert written(tmp_path / "b.log", mixed(100, 8)).read_bytes() == first
    assert first.startswith(b"(15778368")


def test_no_frame_is_lost_when_a_log_is_closed_right_after_a_burst(tmp_path: Path) -> None:
    """Everything handed over before `close` is in the file."""
    path = tmp_path / "bus.log"
    log = LogWriter(path)
    for index in range(50_000):
        log.write(Frame(index & 0x7FF, index.to_bytes(4, "little")))
    log.close()

    rows = read_log(path)
    assert len(rows) == log.frames == 50_000
    assert rows["data"][:, :4].copy().view("<u4").ravel().tolist() == list(range(50_000))


def test_a_running_log_is_never_a_second_behind(tmp_path: Path) -> None:
    """A killed run leaves the log up to the last second of bench time."""
    path = tmp_path / "bus.log"
    log = LogWriter(path)
    for index in range(25):
        log.write(Frame(1, t_ns=index * 100_000_000))

    assert len(path.read_bytes().splitlines()) >= 15
    log.flush()
    assert len(path.read_bytes().splitlines()) == 25
    log.close()


def test_a_closed_log_takes_nothing_more(tmp_path: Path) -> None:
    """Writing after close is a mistake; closing twice is not. A file of the caller stays open."""
    log = LogWriter(tmp_path / "bus.log")
    log.close()
    log.close()
    with pytest.raises(UsageError, match="after the log was closed"):
        log.write(Frame(1))

    path = tmp_path / "callers.log"
    with path.open("w", encoding="ascii") as file:
        callers = LogWriter(file)
        callers.write(Frame(1))
        callers.close()

        assert not file.closed
        assert path.read_text().endswith("001# R\n")


@pytest.mark.parametrize("channel", ["", "two words", " can0"])
def test_a_channel_is_one_word(tmp_path: Path, channel: str) -> None:
    """Anything else would break the line."""
    with pytest.raises(UsageError, match="one word"):
        LogWriter(tmp_path / "bus.log", channel=channel)


def lines(tmp_path: Path, *text: str) -> Path:
    path = tmp_path / "odd.log"
    path.write_bytes("".join(text).encode())
    return path


def test_lines_need_no_direction_and_no_line_feed_at_the_end(tmp_path: Path) -> None:
    """Older logs have neither; some come with carriage returns and lower case."""
    path = lines(
        tmp_path,
        "(1.500000) can0 123#DEADBEEF\n",
        "\n",
        "(1.600000) can0 123#deadbeef\r\n",
        "(1.700000) can0 18DAF110#021001 T\r\n",
        "(1.8) can0 104#R\n",
        "(2) can0 110#R4",
    )

    assert same(
        to_frames(read_log(path)),
        [
            Frame(0x123, b"\xde\xad\xbe\xef", t_ns=1_500_000_000),
            Frame(0x123, b"\xde\xad\xbe\xef", t_ns=1_600_000_000),
            Frame(0x18DAF110, b"\x02\x10\x01", True, t_ns=1_700_000_000, is_rx=False),
            Frame(0x104, remote=True, t_ns=1_800_000_000),
            Frame(0x110, remote=True, t_ns=2_000_000_000, remote_dlc=4),
        ],
    )


GOOD = "(1735270496.916858) can0 110#00112233\n"


@pytest.mark.parametrize(
    "bad",
    [
        "garbage",
        "(1735270496.916858) can0 11#00",
        "(1735270496.916858) can0 110#0",
        "(1735270496.916858) can0 110#0G",
        "(1735270496.916858) can0 11G#00",
        "(1735270496.916858) can0 810#00",
        "(1735270496.91685x) can0 110#00",
        "(17352704x6.916858) can0 110#00",
        "(1735270496.916858) can0 110#001122334455667788",
        "(1735270496.916858) can0 110#00112233445566778899",
        "(1735270496.916858) can0 C0000080#00",
        "(1735270496.916858) can0 20000080#00",
        "(1735270496.916858) can0 110##0001122334455667788",
        "(1735270496.916858) can0 110#00 X",
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, bad: str) -> None:
    """File and line, wherever in the file it stands; a good neighbour does not hide it."""
    path = lines(tmp_path, GOOD * 3, bad + "\n", GOOD * 2)

    with pytest.raises(UsageError, match=r"odd\.log:4: (expected|found)"):
        read_log(path)


def test_a_bad_line_in_a_later_block_is_counted_from_the_top(tmp_path: Path) -> None:
    """Lines of the blocks before are lines, too."""
    path = lines(tmp_path, GOOD * 100, "oops\n")

    with pytest.raises(UsageError, match=r"odd\.log:101:"):
        list(iter_log(path, block_bytes=400))


def test_two_channels_are_never_mixed(tmp_path: Path) -> None:
    """Utilisation is that of one bus: choose one, or be told which there are."""
    path = lines(
        tmp_path,
        "(1.000000) can0 123#00\n(1.100000) can1 123#01\n(1.200000) can0 12345678#02\n",
        "(1.300000) can1 124#R\n(1.400000) can0 125##100\n",
    )

    with pytest.raises(UsageError, match="'can0' and 'can1'"):
        read_log(path)
    assert [f.can_id for f in to_frames(read_log(path, "can0"))] == [0x123, 0x12345678, 0x125]
    assert [f.can_id for f in to_frames(read_log(path, "can1"))] == [0x123, 0x124]
    assert len(read_log(path, "can7")) == 0


def test_many_forms_of_line_in_one_file_are_read(tmp_path: Path) -> None:
    """More channels than the reader keeps in mind at a time."""
    text = "".join(f"({i}.000000) channel{i % 23} {i:03X}#{i & 255:02X}\n" for i in range(400))
    path = lines(tmp_path, text)

    rows = read_log(path, "channel7")

    assert rows["can_id"].tolist() == list(range(7, 400, 23))


def test_an_empty_or_missing_log_is_told_apart(tmp_path: Path) -> None:
    """No frames is an answer, no file is a mistake."""
    assert len(read_log(lines(tmp_path))) == 0
    with pytest.raises(UsageError, match="none\\.log: can't be read"):
        read_log(tmp_path / "none.log")


def test_a_log_is_analysed_as_its_frames_are(tmp_path: Path) -> None:
    """Utilisation, gaps and errors of a log are those of the account of its frames."""
    some = mixed(5000, 11, errors=True)
    path = written(tmp_path / "bus.log", some, epoch_s=0)
    expected = BusAccount(500_000, 2_000_000)
    for frame in some:
        expected.add(frame)

    found = analyse(path, 500_000, 2_000_000)

    assert found.errors == expected.errors
    assert found.busy_ns == expected.busy_ns
    assert found.peak_utilisation == expected.peak_utilisation
    assert {k: repr(v) for k, v in found.ids.items()} == {k: repr(v) for k, v in expected.ids.items()}
