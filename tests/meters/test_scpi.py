"""The SCPI client: answers, numbers, errors, and instruments that misbehave. The other end is a serial line."""

from __future__ import annotations

import math
import os
import tty
from collections.abc import Callable, Iterator

import pytest

from hiltest.errors import BenchError, BenchLost, BenchNotOpened, UsageError
from hiltest.link import Link
from hiltest.meters.scpi import Instrument, InstrumentError, ScpiMeter, ScpiSupply

from .links import real_link

NO_ERROR = '0,"No error"'


class Bench:
    """An instrument on a pseudo-terminal. `answers` maps a command to its answer, or to None for silence."""

    def __init__(self, link: Link) -> None:
        self._fd, self._held_fd = os.openpty()
        tty.setraw(self._held_fd)
        os.set_blocking(self._fd, False)
        self.port = os.ttyname(self._held_fd)
        self.heard: list[str] = []
        self.errors: list[str] = []
        self.answers: dict[str, str | None] = {"*IDN?": "maker,model,serial,version"}
        self._typed = b""
        link.add_source(self._serve, 0.002)

    def _serve(self) -> None:
        try:
            self._typed += os.read(self._fd, 4096)
        except OSError:
            return
        while b"\n" in self._typed:
            line, _, self._typed = self._typed.partition(b"\n")
            command = line.decode()
            self.heard.append(command)
            if command == "SYST:ERR?" and command not in self.answers:
                self.say(self.errors.pop(0) if self.errors else NO_ERROR)
            elif self.answers.get(command) is not None:
                self.say(str(self.answers[command]))

    def say(self, text: str) -> None:
        os.write(self._fd, text.encode() + b"\n")

    def pull_the_plug(self) -> None:
        os.close(self._held_fd)
        os.close(self._fd)
        self._fd = -1


@pytest.fixture
def link() -> Link:
    return real_link()


@pytest.fixture
def bench(link: Link) -> Iterator[Bench]:
    made = Bench(link)
    yield made
    if made._fd >= 0:
        made.pull_the_plug()


def test_opening_clears_and_identifies(link: Link, bench: Bench) -> None:
    """The first words are *CLS and *IDN?; what a late answer left behind is not taken for the identity."""
    bench.say("left over from before")
    meter = ScpiMeter(link, bench.port, timeout_s=1.0)
    assert meter.identity == "maker,model,serial,version"
    assert bench.heard[:2] == ["*CLS", "*IDN?"]
    meter.close()
    meter.close()


@pytest.mark.parametrize(
    ("answer", "ohm"),
    [("+5.98000000E+01", 59.8), ("59.8", 59.8), ("+9.90000000E+37", math.inf), ("1E3\r", 1000.0)],
)
def test_a_resistance_is_a_number_and_an_overload_is_infinite(
    link: Link, bench: Bench, answer: str, ohm: float
) -> None:
    """9.9E37 is how SCPI writes infinity (SCPI-99 volume 1, from memory)."""
    bench.answers["MEAS:RES?"] = answer
    assert ScpiMeter(link, bench.port, timeout_s=1.0).read_ohm() == pytest.approx(ohm)


def test_not_a_number_is_not_a_number(link: Link, bench: Bench) -> None:
    """9.91E37 is how SCPI writes NaN, and a NaN fails every limit."""
    bench.answers["MEAS:RES?"] = "9.91E37"
    assert math.isnan(ScpiMeter(link, bench.port, timeout_s=1.0).read_ohm())


def test_the_loop_goes_on_while_an_instrument_takes_its_time(link: Link, bench: Bench) -> None:
    """Heartbeats are sent while a meter integrates for a third of a second."""
    meter = ScpiMeter(link, bench.port, timeout_s=2.0)
    beats: list[float] = []
    link.every(0.02, lambda: beats.append(link.now_s))
    link.after(0.3, lambda: bench.say("60.0"))
    assert meter.read_ohm() == 60.0
    assert len(beats) >= 10


def test_a_refused_command_is_never_taken_for_done(link: Link, bench: Bench) -> None:
    """The error queue is read after every command; the error is told with its number."""
    supply = ScpiSupply(link, bench.port, timeout_s=0.5)
    bench.errors = ['-222,"Data out of range"', '-113,"Undefined header"']
    with pytest.raises(InstrumentError, match="Data out of range") as caught:
        supply.set_v(99.0)
    assert (caught.value.code, caught.value.command) == (-222, "VOLT 99.0000")
    assert bench.errors == []


def test_a_query_that_is_not_known_tells_its_error(link: Link, bench: Bench) -> None:
    """No answer and an error in the queue: the error is the reason."""
    meter = ScpiMeter(link, bench.port, timeout_s=0.3)
    bench.errors = ['-113,"Undefined header"']
    with pytest.raises(InstrumentError, match="MEAS:RES"):
        meter.read_ohm()


def test_switching_is_read_back(link: Link, bench: Bench) -> None:
    """A supply whose output did not follow is a broken bench, not a switched one."""
    supply = ScpiSupply(link, bench.port, timeout_s=0.5)
    bench.answers["OUTP?"] = "1"
    supply.switch(True)
    with pytest.raises(BenchError, match="says otherwise"):
        supply.switch(False)
    assert "OUTP OFF" in bench.heard


def test_words_where_a_number_should_be(link: Link, bench: Bench) -> None:
    """The answer is shown as it came."""
    bench.answers["MEAS:CURR?"] = "about two"
    with pytest.raises(BenchError, match="'about two', expected a number"):
        ScpiSupply(link, bench.port, timeout_s=0.5).read_a()


def test_an_error_queue_that_never_ends(link: Link, bench: Bench) -> None:
    """An instrument that always has one more error does not hang the run."""
    meter = ScpiMeter(link, bench.port, timeout_s=0.5)
    bench.answers["SYST:ERR?"] = '-350,"Queue overflow"'
    assert len(meter.errors()) == 32
    bench.answers["SYST:ERR?"] = "fine"
    with pytest.raises(BenchError, match="'fine'"):
        meter.errors()


def test_an_instrument_that_says_nothing(link: Link, bench: Bench) -> None:
    """Silence ends in time and is told as the bench's fault."""
    bench.answers.clear()
    with pytest.raises(BenchError, match="did not answer"):
        Instrument(link, bench.port, timeout_s=0.2)


def test_an_instrument_that_is_unplugged(link: Link, bench: Bench) -> None:
    """A lost instrument is a lost bench, at once."""
    meter = ScpiMeter(link, bench.port, timeout_s=5.0)
    bench.pull_the_plug()
    started_s = link.now_s
    with pytest.raises(BenchLost, match="is gone"):
        meter.read_ohm()
    assert link.now_s - started_s < 2.0


def test_one_line_at_a_time(link: Link, bench: Bench) -> None:
    """A command with a line end in it would shift every later answer."""
    with pytest.raises(UsageError, match="one line"):
        ScpiMeter(link, bench.port, timeout_s=0.5).write("OUTP ON\nOUTP OFF")


@pytest.mark.parametrize(
    ("port", "error"), [("nonsense://x", UsageError), ("/dev/there-is-no-such-port", BenchNotOpened)]
)
def test_ports_that_can_not_be_opened(link: Link, port: str, error: type[Exception]) -> None:
    """A wrong word is the file's fault, a missing device the bench's."""
    opening: Callable[[], object] = lambda: Instrument(link, port)  # noqa: E731
    with pytest.raises(error, match=port):
        opening()
