"""A CAN interface of the Linux kernel for the time of a run: looked at before, set for a check, put back afterwards.

python-can's `socketcan` sets neither bit rate nor listen-only mode: both belong to the interface, take the right to
set it (CAP_NET_ADMIN), and stay as they are left. So what a person had set is read first and set again at the end, the
parts of the bit included; what no check needs (queue, restart, error reports) is never touched. An interface that was
down is down again at the end.
"""

from __future__ import annotations

import contextlib
import importlib.util
from typing import TYPE_CHECKING

from hiltest.canbus.preflight import RIGHTS_COMMAND, Finding, Wanted, check_interface, render
from hiltest.errors import BenchError, BenchNotOpened, NotPermitted, UsageError

if TYPE_CHECKING:
    from hiltest.canbus.netlink import InterfaceSettings
    from hiltest.canbus.preflight import InterfaceFacts

SET_ANYWAY = ("bitrate", "down", "listen-only")
"""Findings that do not matter to whoever sets the interface before the first frame."""


class KernelInterface:
    """Interface `channel` of the bus `name`, which is to run at `bit_rate_bps`."""

    def __init__(self, name: str, channel: str, bit_rate_bps: int) -> None:
        self._name, self._channel = name, channel
        self._normal: tuple[int, bool] | None = (bit_rate_bps, False)  # None: down
        self._now: tuple[int, bool] | None = self._normal
        self._before: InterfaceFacts | None = None
        self.findings: tuple[Finding, ...] = ()
        """What could mislead the run, and what can't be seen from here."""

    def look(self, wanted: Wanted, will_set: bool = False) -> None:
        """Remember how the interface is set, and refuse one on which no run can start.

        With `will_set` bit rate and mode are set before anything else, so that what they are now does not count, nor
        that it is down.

        Where the kernel can't be asked (the optional package pyroute2 is not installed), opening says what it can.

        Raises:
            BenchNotOpened: it is set up wrongly; the text holds the commands that mend it.
        """
        if importlib.util.find_spec("pyroute2") is None:
            text = f"without pyroute2 {self._channel} can neither be looked at nor set: pip install 'hiltest[netlink]'."
            self.findings = (Finding("netlink", "unknown", text),)
            return
        from hiltest.canbus.netlink import read_facts

        facts = read_facts(self._channel)
        findings = check_interface(facts, wanted)
        passed_over = SET_ANYWAY if will_set else ()
        wrong = [each for each in findings if each.level == "error" and each.topic not in passed_over]
        if wrong:
            raise BenchNotOpened(f"bus {self._name!r}: {self._channel} is not ready.\n{render(wrong)}")
        self._before, self.findings = facts, tuple(findings)
        if will_set:
            is_set = facts.is_up and facts.bitrate is not None
            self._normal = self._now = (facts.bitrate or 0, facts.listen_only) if is_set else None

    def set(self, bit_rate_bps: int, listen_only: bool) -> None:
        """Take the interface down and bring it up so, if it is not so already, or if its controller is bus-off.

        Raises:
            BenchNotOpened: not allowed (NotPermitted), or the driver can't; the interface is then as before.
        """
        wanted = (bit_rate_bps, listen_only)
        if wanted == self._now and not self._is_off():
            return
        if self._before is not None and self._before.is_virtual:
            raise BenchNotOpened(
                f"bus {self._name!r}: {self._channel} is virtual ({self._before.kind}): it has no bit rate and no mode"
            )
        from hiltest.canbus.netlink import bring_up, read_facts

        try:
            bring_up(self._channel, self._settings(*wanted))
        except (BenchError, UsageError) as error:
            with contextlib.suppress(BenchError, UsageError):
                if self._now is not None and not read_facts(self._channel).is_up:
                    bring_up(self._channel, self._settings(*self._now))
            mode = ", listening only," if listen_only else ""
            text = f"bus {self._name!r}: {self._channel} can't be set to {bit_rate_bps} bit/s{mode} from here"
            if isinstance(error, NotPermitted):
                why = "this account may not set it (that takes CAP_NET_ADMIN)"
                raise NotPermitted(f"{text}: {why}", RIGHTS_COMMAND) from error
            raise BenchNotOpened(f"{text}: {error}") from error
        self._now = wanted

    def put_back(self) -> None:
        """Set the interface as it was found, if a run left it otherwise.

        Raises:
            BenchNotOpened: it can't be set; the text says what would.
        """
        if self._normal is not None:
            self.set(*self._normal)
        elif self._now is not None:
            from hiltest.canbus.netlink import take_down

            before = self._before
            found = (before.bitrate, before.listen_only) if before is not None else (None, False)
            take_down(self._channel, self._settings(*found))
            self._now = None

    def _is_off(self) -> bool:
        """Did the controller give up? Nothing is sent then until somebody starts it anew."""
        if self._before is None or self._before.is_virtual:
            return False
        from hiltest.canbus.netlink import read_facts

        return read_facts(self._channel).state == "off"

    def _settings(self, bit_rate_bps: int | None, listen_only: bool) -> InterfaceSettings:
        """With what nobody asked to change left as it is; at its own bit rate with the parts of the bit as they were."""
        from hiltest.canbus.netlink import InterfaceSettings

        before = self._before
        is_own = before is not None and bit_rate_bps is not None and bit_rate_bps == before.bitrate
        return InterfaceSettings(
            bitrate=bit_rate_bps,
            sample_point=before.sample_point if is_own and before is not None else None,
            segments=before.segments if is_own and before is not None else None,
            queue_length=None,
            listen_only=listen_only,
            loopback=before is not None and before.loopback,
            one_shot=before is not None and before.one_shot,
            report_bus_errors=False,
            queue=None,
        )
