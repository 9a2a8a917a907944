"""One line at a time to a console, and what comes back for it.

An answer is what stands between the echo of the line and the next prompt, less what the node says by itself. An echo is
never an answer, so a wire that sends back what it is sent answers nothing. While nobody waits for an answer, lines may
be sent in the background: the host's sign of life, and what the guard wants to know.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from hiltest.clock import NS_PER_S
from hiltest.console import QUIET_S, Line, SerialConsole
from hiltest.description.lines import LINE_CHARS_MAX
from hiltest.description.models import Console
from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link

POLL_S = 0.004
"""How often the port is looked at while an answer is waited for."""

SERVE_S = 0.02
SETTLE_S = 0.5
"""After this long a node that talks on and on is spoken to all the same, if what it says are lines of text."""

SHOWN_LINES, SHOWN_CHARS, SHOWN_PATTERNS = 3, 80, 2
Pattern = re.Pattern[str]
Matches = list[re.Match[str]]
Done = Callable[[Matches], None]


@dataclass(slots=True)
class Exchange:
    """A line that was sent, and what has come since."""

    line: str
    wants: tuple[Pattern, ...]
    started_ns: int
    on_done: Done | None = None
    echoed: bool = False
    found: dict[int, re.Match[str]] = field(default_factory=dict)
    refusal: str = ""
    trouble: str = ""
    logged: bool = False
    rest: str = ""
    prompted_ns: int | None = None
    seen: deque[str] = field(default_factory=lambda: deque(maxlen=SHOWN_LINES))
    count: int = 0

    @property
    def has_all(self) -> bool:
        """True if there were patterns and a line has fitted each."""
        return bool(self.wants) and len(self.found) == len(self.wants)

    @property
    def matches(self) -> Matches:
        """How lines fitted the patterns, in their order; none if one is missing or something went wrong."""
        if self.trouble or not self.has_all:
            return []
        return [self.found[number] for number in range(len(self.wants))]

    def shown(self) -> str:
        """What came, in words, the newest lines of it."""
        told = [repr(text if len(text) <= SHOWN_CHARS else text[:SHOWN_CHARS] + "...") for text in self.seen]
        more = self.count - len(told)
        return ", ".join(told) + (f", and {more} lines before" if more > 0 else "")


class Talk:
    """Sends lines to one console and tells answers from echo, prompt and lines that come by themselves.

    Args:
        link: where it waits.
        console: the open port.
        settings: prompt, echo, patterns, times.
        node: name of the node, for errors.
        on_log: told each line that is no answer.
    """

    def __init__(
        self, link: Link, console: SerialConsole, settings: Console, node: str, on_log: Callable[[Line], None]
    ) -> None:
        self._link, self._console, self._settings, self._node = link, console, settings, node
        self._on_log = on_log
        self._unsolicited = re.compile(settings.unsolicited)
        self._refusal = re.compile(settings.refusal)
        self._boot = None if settings.boot is None else re.compile(settings.boot)
        self._current: Exchange | None = None
        self._waiting: deque[tuple[str, tuple[Pattern, ...], Done | None]] = deque()
        self._unsettled_ns: int | None = link.now_ns
        self._sound_ns = 0
        self.unanswered = 0
        self._removes = (console.on_line(self._take), link.every(SERVE_S, self._serve).cancel)

    def close(self) -> None:
        """Listen and send no more. The port stays open."""
        for remove in self._removes:
            remove()
        self._current = None
        self._waiting.clear()

    # --- in the foreground --------------------------------------------------------------------------

    def ask(self, line: str, *wants: Pattern) -> Matches:
        """Send `line` and wait for its answer; return how lines of it fit each of `wants`, in their order.

        Raises:
            Refused: the node says that it will not.
            NoAnswer: no answer in time, or none that fits.
            BenchLost: the port went away.
        """
        within_s = self._settings.answer_s
        polling = self._link.every(POLL_S, self._console.poll)
        try:
            self._settle(within_s)
            self._link.wait_for(self._is_free, within_s)
            exchange = self._send(line, wants, None)
            is_over = self._link.wait_for(lambda: self._is_over(exchange), within_s)
        except BaseException:  # the guard, a person: nobody waits for this answer any more
            self._current, self._unsettled_ns = None, self._link.now_ns
            raise
        finally:
            polling.cancel()
        self._end(exchange, bool(is_over))
        self._serve()
        if exchange.refusal:
            raise Refused(self._node, f"{line!r}", f"it says {exchange.refusal!r}")
        if exchange.trouble or not is_over or not (exchange.has_all or not wants):
            self.unanswered += 1
            raise NoAnswer(self._node, self._asked(exchange), self._elapsed_s(exchange), self._seen(exchange))
        return exchange.matches

    def send(self, line: str) -> None:
        """Send a line at once, whatever is going on, and wait for nothing. What was going on has no answer.

        Raises:
            BenchLost: the port went away.
        """
        self._abandon()
        self._unsettled_ns = self._link.now_ns
        self._console.send_line(line)

    def settle(self, within_s: float) -> None:
        """Wait until the node has nothing more to say, as after a start."""
        self._unsettled_ns = self._link.now_ns
        self._settle(within_s)

    def _settle(self, within_s: float) -> None:
        """After what nobody waited for, let it pass, so that it is not taken for the answer to what comes now."""
        if self._unsettled_ns is not None:
            self._link.wait_for(self._is_settled, within_s)
            self._unsettled_ns = None

    def _is_settled(self) -> bool:
        """True once it is quiet. What makes no sense is no reason to speak: a storm gets no sign of life."""
        since_ns, now_ns, limit_ns = self._unsettled_ns, self._link.now_ns, SETTLE_S * NS_PER_S
        if since_ns is None or self._is_quiet():
            return True
        return now_ns - since_ns > limit_ns >= now_ns - self._sound_ns

    def _is_free(self) -> bool:
        """True once nothing is going on, and what waits in the background has had its turn: it came first."""
        self._serve()
        return self._current is None and not self._waiting

    # --- in the background --------------------------------------------------------------------------

    def in_background(self, line: str, *wants: Pattern, on_done: Done | None = None) -> None:
        """Send a line when nothing else is going on. `on_done` is told how its answer fits; nothing if it does not.

        A line that waits for its turn already is not sent twice.
        """
        if all(line != waiting for waiting, _, _ in self._waiting):
            self._waiting.append((line, wants, on_done))
        self._serve()

    def forget_background(self) -> None:
        """Send none of the lines that wait."""
        self._waiting.clear()

    def _serve(self) -> None:
        current = self._current
        if current is not None and current.on_done is not None:
            within_ns = round(self._settings.answer_s * NS_PER_S)
            is_over = self._is_over(current)
            if is_over or self._link.now_ns - current.started_ns > within_ns:
                self._end(current, is_over)
                if not is_over or current.trouble or (current.wants and not current.has_all):
                    self.unanswered += 1
                current.on_done(current.matches if is_over else [])
        if self._current is None and self._waiting and self._unsettled_ns is None:
            line, wants, on_done = self._waiting.popleft()
            self._send(line, wants, on_done or (lambda _: None))
        elif self._current is None and self._waiting and self._is_settled():
            self._unsettled_ns = None

    # --- an exchange --------------------------------------------------------------------------------

    def _send(self, line: str, wants: tuple[Pattern, ...], on_done: Done | None) -> Exchange:
        if self._current is not None:
            self.unanswered += 1  # one in the background that has had its time
        exchange = self._current = Exchange(line, wants, self._link.now_ns, on_done)
        try:
            self._console.send_line(line)
        except BaseException:
            self._current = None
            raise
        return exchange

    def _end(self, exchange: Exchange, is_over: bool) -> None:
        if self._current is exchange:
            self._current = None
        if not is_over or exchange.trouble:
            self._unsettled_ns = self._link.now_ns

    def _abandon(self) -> None:
        """Whoever waits for the current answer gets none."""
        if self._current is not None:
            self._current.trouble = "something more urgent was sent meanwhile"
            self._current = None
        self._waiting.clear()

    def _take(self, line: Line) -> None:
        if line.sent:
            return
        text = self._without_prompt(line.text).replace("\t", " ").strip()
        current = self._current
        prompt = self._settings.prompt
        if current is not None and current.echoed and prompt and line.text.startswith(prompt):
            self._note_prompt(current)  # it stood before this line
        if not text:
            return
        is_sound = not line.is_cut and len(text) <= LINE_CHARS_MAX and text.isprintable()
        is_sound = is_sound and "\ufffd" not in text
        if is_sound:
            self._sound_ns = self._link.now_ns
        if is_sound and self._boot is not None and self._boot.fullmatch(text):
            if current is not None:
                current.trouble = f"it started anew meanwhile: {text!r}"
            self._on_log(line)
        elif is_sound and self._unsolicited.fullmatch(text):
            if current is not None:
                current.logged = True
            self._on_log(line)
        elif current is None:
            if is_sound:
                self._on_log(line)
        else:
            self._note(current, text, is_sound)

    def _note(self, exchange: Exchange, text: str, is_sound: bool) -> None:
        exchange.seen.append(text)
        exchange.count += 1
        if not is_sound:
            return
        if text == exchange.line.strip():
            if exchange.echoed or not self._settings.echo:
                exchange.trouble = "the line itself came back " + (
                    "twice" if exchange.echoed else "as an echo"
                )
                exchange.trouble += ": do the console's two wires touch, or is `echo` of [console] wrong?"
            exchange.echoed = True
        elif exchange.echoed or not self._settings.echo:
            if self._refusal.fullmatch(text):
                exchange.refusal = exchange.refusal or text
            for number, want in enumerate(exchange.wants):
                match = None if number in exchange.found else want.fullmatch(text)
                if match is not None:
                    exchange.found[number] = match

    def _is_over(self, exchange: Exchange) -> bool:
        """True once there is nothing more to wait for, good or bad."""
        if exchange.trouble:
            return True
        if self._settings.echo and not exchange.echoed:
            return False
        is_answered = exchange.has_all or bool(exchange.refusal)
        if not self._settings.prompt:
            return is_answered or not exchange.wants
        if self._stands_prompt(exchange):
            self._note_prompt(exchange)
        if exchange.prompted_ns is None or is_answered:
            return exchange.prompted_ns is not None
        # The prompt may be the start of a line, or belong to a line that the node printed by itself.
        has_stood = self._link.now_ns - exchange.prompted_ns >= QUIET_S * NS_PER_S
        return has_stood and not (exchange.logged and exchange.wants)

    def _note_prompt(self, exchange: Exchange) -> None:
        if exchange.prompted_ns is None:
            exchange.prompted_ns = self._link.now_ns

    def _stands_prompt(self, exchange: Exchange) -> bool:
        """True if the prompt came after the line was sent and nothing followed it."""
        if self._console.heard_ns <= exchange.started_ns:
            return False
        rest = self._console.unfinished
        if not rest.endswith(self._settings.prompt):
            return False
        text = self._without_prompt(rest.removesuffix(self._settings.prompt)).strip()
        if text and text != exchange.rest:
            exchange.rest = text
            self._note(exchange, text, text.isprintable() and len(text) <= LINE_CHARS_MAX)
        return True

    def _without_prompt(self, text: str) -> str:
        prompt = self._settings.prompt
        while prompt and text.startswith(prompt):
            text = text.removeprefix(prompt)
        return text

    def _is_quiet(self) -> bool:
        return self._link.now_ns - self._console.heard_ns >= QUIET_S * NS_PER_S

    # --- telling ------------------------------------------------------------------------------------

    def _asked(self, exchange: Exchange) -> str:
        missing = [
            repr(want.pattern) for number, want in enumerate(exchange.wants) if number not in exchange.found
        ]
        parts = ["its echo"] if self._settings.echo and not exchange.echoed else []
        if missing:
            more = f" and {len(missing) - SHOWN_PATTERNS} more" if len(missing) > SHOWN_PATTERNS else ""
            parts.append(f"a line that fits {', '.join(missing[:SHOWN_PATTERNS])}{more}")
        if self._settings.prompt and not parts:
            parts.append(f"its prompt {self._settings.prompt!r}")
        return f"{exchange.line!r} with {' and '.join(parts) or 'its end'}"

    def _elapsed_s(self, exchange: Exchange) -> float:
        return round((self._link.now_ns - exchange.started_ns) / NS_PER_S, 3)

    def _seen(self, exchange: Exchange) -> str:
        told = [exchange.trouble, exchange.shown()]
        rest = self._console.unfinished
        if rest and rest != self._settings.prompt:
            told.append(f"unfinished {rest[:SHOWN_CHARS]!r}" + ("..." if len(rest) > SHOWN_CHARS else ""))
        told.append(self._hint(exchange, rest))
        return "; ".join(filter(None, told))

    def _hint(self, exchange: Exchange, rest: str) -> str:
        """What to look at first, by what came and what did not."""
        if self._console.heard_ns <= exchange.started_ns:
            return "nothing. Look at both wires of the console, the node's power and the baud rate"
        if not rest.isprintable() or any(
            not text.isprintable() or "\ufffd" in text for text in exchange.seen
        ):
            return "some of it is no text. Look at the baud rate, the ground and the shield of the console"
        if self._settings.echo and not exchange.echoed:
            return "no echo. Look at the wire to the node, its baud rate, and `echo` of [console]"
        return ""
