"""A hopper gate in a process of its own: python-can, cantools and struct, and nothing of hiltest.

    python foreign_node.py gate.dbc 125000 [reversed]

It prints the address of the serial-line adapter behind which it sits, and serves until its input ends; then it prints
how long this machine held it up at most, in s: it looks around every 4 ms. Two sockets on loopback are joined: the host's
side, which is the adapter, and the node's side, on which python-can's own `slcan` interface runs. No pseudo-terminals:
the kernel hands their bytes on in a work queue, up to 0.9 s late while others keep its processors busy (measured), and
such a silence is a fault here. At another bit rate than the node's, frames are only errors, and the node counts them.
"""

import select
import socket
import struct
import sys
import threading
import time

import can
import cantools.database

RATES = {b"S0": 10_000, b"S1": 20_000, b"S2": 50_000, b"S3": 100_000, b"S4": 125_000, b"S5": 250_000}
RATES |= {b"S6": 500_000, b"S7": 750_000, b"S8": 1_000_000}
STEPS, HOST_S, BOOT_S = 200 * 16, 1.0, 0.6
RELEASE_REV, STOP_REV = 0.1, -0.15


class Wire(threading.Thread):
    """The adapter and the bus: bytes of the host to the node and back, when both are at one bit rate."""

    def __init__(self, bit_rate):
        super().__init__(daemon=True)
        self.bit_rate, self.errors = bit_rate, 0
        self.ways_in = {side: socket.create_server(("127.0.0.1", 0)) for side in ("host", "node")}
        self.is_open, self.host_rate = False, 0
        self.ends = {}
        self.half = {"host": b"", "node": b""}

    def address(self, side):
        return f"socket://127.0.0.1:{self.ways_in[side].getsockname()[1]}"

    def run(self):
        while True:
            places = {way: ("plug", side) for side, way in self.ways_in.items()}
            places |= {end: ("read", side) for side, end in self.ends.items()}
            for ready in select.select(list(places), [], [])[0]:
                what, side = places[ready]
                if what == "plug":
                    self.ends[side], self.half[side] = ready.accept()[0], b""
                    self.ends[side].setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                elif ready is self.ends.get(side):
                    self.read(side)

    def read(self, side):
        self.ends[side].setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
        try:
            came = self.ends[side].recv(4096)
        except ConnectionError:
            came = b""
        if not came:
            self.ends.pop(side).close()
            return
        *lines, self.half[side] = (self.half[side] + came).split(b"\r")
        for line in lines:
            self.from_host(line) if side == "host" else self.from_node(line)

    def write(self, side, line):
        try:
            if side in self.ends:
                self.ends[side].sendall(line + b"\r")
        except ConnectionError:
            self.ends.pop(side).close()

    def from_host(self, line):
        if line in RATES:
            self.host_rate = RATES[line]
        elif line in (b"O", b"C"):
            self.is_open = line == b"O"
        elif line[:1] in (b"t", b"T") and self.is_open:
            if self.host_rate == self.bit_rate:
                self.write("node", line)
            else:
                self.errors += 1

    def from_node(self, line):
        if line[:1] in (b"t", b"T") and self.is_open and self.host_rate == self.bit_rate:
            self.write("host", line)


class Gate:
    """The node: a motor on a screw with a home switch, and a fan with a tachometer."""

    def __init__(self, database, bus, wire, direction):
        self.db, self.bus, self.wire, self.direction = database, bus, wire, direction
        self.real_rev = 0.0
        self.reset(time.monotonic())

    def reset(self, now):
        self.alive_from = now + BOOT_S
        self.due = dict.fromkeys(("Gate_State", "Gate_Motion", "Gate_Info"), now + BOOT_S)
        self.count = self.position = self.target = 0
        self.enabled = self.armed = False
        self.heard = self.last_count = None
        self.duty = self.share = self.fan_hz = 0.0
        self.speed, self.current, self.microsteps, self.flags = 1000, 0.0, 0, 0x20
        self.stepped, self.owed = now, 0.0

    def off(self):
        self.duty, self.enabled = 0.0, False
        self.target = self.position

    def hear(self, message, now):
        if now < self.alive_from:
            return
        try:
            described = self.db.get_message_by_frame_id(message.arbitration_id)
        except KeyError:
            return
        values = described.decode(message.data)
        if described.name == "Gate_Command":
            *rest, total = struct.unpack("8B", message.data)
            if sum(rest) & 0xFF != total or values["Count"] == self.last_count:
                return
            self.last_count, self.heard = values["Count"], now
            if values["AllOff"] or not (values["Fan"] or values["Motor"]):
                self.armed = True
            if values["AllOff"] or not self.armed:
                self.off()
            else:
                self.duty, self.enabled = values["Fan"] / 100, bool(values["Motor"])
        elif described.name == "Gate_Move" and self.enabled:
            self.target, self.speed = values["Target"], values["Speed"]
        elif described.name == "Gate_Set":
            self.current, self.microsteps, self.flags = values["Current"], values["Microsteps"], 0
        elif described.name == "Gate_Reset" and values["Key"] == "Now":
            self.reset(now)

    def step(self, now):
        dt, self.stepped = now - self.stepped, now
        if self.heard is not None and now - self.heard > HOST_S:
            self.heard, self.armed = None, False
            self.off()
        goal = 0.1 + 0.9 * self.duty if self.duty > 0 else 0.0
        self.share += (goal - self.share) * min(1.0, dt / 0.15)
        self.fan_hz = 100.0 * self.share if self.share > 0.02 else 0.0
        way = self.target - self.position
        if not (self.enabled and way):
            self.owed = 0.0
        else:
            self.owed += self.speed * dt  # a loop is shorter than a microstep at a slow speed
            most = int(self.owed)
            self.owed -= most
            moved = max(-most, min(most, way))
            self.position += moved
            self.real_rev = max(STOP_REV, self.real_rev + self.direction * moved / STEPS)

    def serve(self, now):
        self.step(now)
        for name, due in list(self.due.items()):
            if now >= due and now >= self.alive_from:
                message = self.db.get_message_by_name(name)
                self.due[name] = max(due + message.cycle_time / 1000, now)
                self.send(message, now)

    def send(self, message, now):
        self.count = (self.count + (message.name == "Gate_State")) % 16
        values = {
            "Alive": self.count, "Home": self.real_rev < RELEASE_REV, "Enabled": self.enabled,
            "Moving": self.enabled and self.target != self.position, "Supply": 23.9,
            "Uptime": min(now - self.alive_from, 6000.0), "Errors": min(self.wire.errors, 65535),
            "ErrorsOut": 0, "ErrorsIn": 0,
            "Position": self.position, "Tach": self.fan_hz, "Flags": self.flags,
            "Serial": 90210, "CurrentSet": self.current, "MicrostepsSet": self.microsteps,
        }  # fmt: skip
        data = message.encode({signal.name: values[signal.name] for signal in message.signals})
        self.bus.send(can.Message(arbitration_id=message.frame_id, data=data, is_extended_id=False))


def main():
    database = cantools.database.load_file(sys.argv[1])
    bit_rate = int(sys.argv[2])
    wire = Wire(bit_rate)
    wire.start()
    bus = can.Bus(
        interface="slcan",
        channel=wire.address("node"),
        bitrate=bit_rate,
        sleep_after_open=0.0,
        ignore_config=True,
    )
    gate = Gate(database, bus, wire, -1 if "reversed" in sys.argv else 1)
    print(wire.address("host"), flush=True)  # noqa: T201
    last, held_s = time.monotonic(), 0.0
    while not select.select([sys.stdin], [], [], 0)[0]:
        message = bus.recv(0.004)
        now = time.monotonic()
        last, held_s = now, max(held_s, now - last)
        if message is not None:
            gate.hear(message, now)
        gate.serve(now)
    print(held_s, flush=True)  # noqa: T201
    bus.shutdown()


if __name__ == "__main__":
    main()
