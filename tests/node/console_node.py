"""A kiln controller behind a pseudo-terminal: os, pty, tty, re and struct, and nothing of hiltest.

It speaks another dialect than any fixture: percent, milliseconds, hexadecimal, lines that end with a carriage return.
`serve()` is called again and again and does one step: it takes what was typed and sends what is due, in pieces.
"""

import contextlib
import os
import pty
import re
import struct
import tty


class Kiln:
    """The node. `heard` holds every line as it came, in bytes. Times are those of the clock it is given."""

    def __init__(self, now, prompt=b"kiln$ ", echo=True):
        self.fd, self.slave = pty.openpty()
        for fd in (self.fd, self.slave):
            tty.setraw(fd)
        os.set_blocking(self.fd, False)
        self.path = os.ttyname(self.slave)
        self.now, self.prompt, self.echo = now, prompt, echo
        self.typed, self.heard, self.out = b"", [], []
        self.slow_s = 0.0
        self.piece = 1000
        self.before = self.between = b""
        self.says = {}
        self.temps = {b"A": b"23.50", b"B": b"---"}
        self.fan, self.set, self.pulse, self.lamp, self.position, self.goal, self.power = (
            0,
            0,
            b"",
            b"0",
            0,
            0,
            b"OFF",
        )
        self.settings = {b"I": 300, b"M": 8}
        self.beats = 0
        self.alive = True

    def close(self):
        for fd in (self.fd, self.slave):
            with contextlib.suppress(OSError):
                os.close(fd)

    def print(self, data, after_s=0.0):
        """Say something by itself."""
        self.out.append((self.now() + after_s, data))

    def serve(self):
        with contextlib.suppress(BlockingIOError, OSError):
            self.typed += os.read(self.fd, 4096)
        while b"\r" in self.typed:
            line, _, self.typed = self.typed.partition(b"\r")
            self.heard.append(line)
            if self.alive:
                self.answer(line)
        while self.out and self.out[0][0] <= self.now():
            _, data = self.out.pop(0)
            try:
                os.write(self.fd, data)
            except OSError:
                return

    def answer(self, line):
        told = self.says.get(line)
        told = self.act(line) if told is None else told
        echo = line + b"\r\n" if self.echo else b""
        whole = self.before + echo + self.between + (told + b"\r\n" if told else b"") + self.prompt
        due = self.now() + self.slow_s
        for start in range(0, len(whole), self.piece):
            self.out.append((due, whole[start : start + self.piece]))
            due += 0.005

    def act(self, line):
        """What it does and says."""
        if line == b"?":
            return b"still here"
        if match := re.fullmatch(rb"T(\w)\?", line):
            return b"T" + match[1] + b"=" + self.temps[match[1]]
        if match := re.fullmatch(rb"SET (\d+)", line):
            if int(match[1]) > 1200:
                return b"E07 too hot"
            self.set = int(match[1])
            return b"SP:" + match[1] + b" dC"
        if match := re.fullmatch(rb"PULSE (\d+)% (\d+)ms", line):
            self.pulse = match[0]
            return b"+"
        if match := re.fullmatch(rb"FAN (\d+)%", line):
            self.fan = int(match[1])
            return b"+"
        if line == b"RPM?":
            return b"RPM=0x%04X" % (self.fan * 30)
        if line == b"OUT?":
            return b"OUT %d permille" % (500 if self.set else 0)
        if match := re.fullmatch(rb"([IM])=(\d+)", line):
            self.settings[match[1]] = int(match[2])
            return b"+"
        if line == b"DRV?":
            return b"I=%d M=%d" % (self.settings[b"I"], self.settings[b"M"])
        if line in (b"MOT ON", b"MOT OFF"):
            self.power = line[4:]
            return b"+"
        if match := re.fullmatch(rb"GO (-?\d+) @(\d+)", line):
            if self.power == b"OFF":
                return b"E11 no power"
            self.goal = self.position + int(match[1])
            return b"+"
        if line == b"POS?":
            step = 400 if self.goal > self.position else -400
            if abs(self.goal - self.position) <= 400:
                step = self.goal - self.position
            self.position += step
            return b"POS %d %s %s" % (
                self.position,
                self.power,
                b"RUN" if self.position != self.goal else b"REST",
            )
        if line == b"DOOR?":
            return b"DOOR CLOSED"
        if match := re.fullmatch(rb"LED ([01])", line):
            self.lamp = match[1]
            return b"+"
        if line == b"ID":
            return b"kiln-3 fw 2.0.1 sn 77"
        if line == b"STOP":
            self.fan = self.set = 0
            self.power, self.lamp = b"OFF", b"0"
            return b"+"
        if line == b"BYE":
            return b""
        return b"E01 what?"

    def beat(self):
        """The eight bytes of its heartbeat on the bus, identifier 0x18FF0077, 29 bits."""
        self.beats = self.beats + 1 & 0x0F
        return struct.pack(">BxHI", self.beats, 2400, 77)
