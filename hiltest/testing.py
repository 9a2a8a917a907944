"""The conformance kit: what every driver must keep to, as tests that its author runs on it.

    from hiltest.testing import DriverTests

    class TestMyDriver(DriverTests):
        description = "my_bench.toml"

pytest then runs every check below on the driver of the (first) node of that description: in simulated time where
`simulate` is true, else on the bench that the file names. On a real bench nothing is energised unless `energise` is
set to a reason; what is energised stands behind the guard, with its ceilings.
"""

from __future__ import annotations

import contextlib
import inspect
import math
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from hiltest.errors import GateClosed, NoAnswer, NodeFault, NotOffered, Refused, UsageError
from hiltest.node import verbs
from hiltest.node.own import LOAD_VERBS, NODE_VERBS
from hiltest.node.verbs import Identity, NodeDriver, Reading, ReadingKind, StepperDriver

if TYPE_CHECKING:
    from hiltest.description.models import Node
    from hiltest.guard import GuardedNode
    from hiltest.session import Run

__all__ = ["DriverTests"]

NOBODY = "no such load 0"
COLDEST_C, HOTTEST_C = -60.0, 500.0
ANSWER_MAX_S = 5.0
"""No driver may wait longer than this for an answer that does not come."""

ALWAYS = frozenset({"stop_all"})


class DriverTests:
    """Subclass it in a test module, with a name that pytest collects (`TestMyDriver`)."""

    description: str | Path = ""
    """The fixture description; its node names the driver. A relative path starts at the test's file."""

    node = ""
    """The node to test; by default the first one of the description."""

    simulate = True
    """Run in simulated time on the simulated bench; false: on the bench that the description names."""

    energise = ""
    """On a real bench: why loads may be energised here, one after the other and briefly. Empty: none is."""

    # --- the bench of one check ---------------------------------------------------------------------

    @contextlib.contextmanager
    def bench(self, *faults: str, start: bool = True) -> Iterator[tuple[Run, GuardedNode]]:
        """A run with the driver made; closed, with everything off, at the end."""
        from hiltest.session import Run, load
        from hiltest.settings import Settings

        file = Path(inspect.getfile(type(self))).parent / self.description
        reason = "conformance of a driver" if self.simulate else self.energise
        settings = Settings(file=file, simulate=self.simulate, faults=faults, release=reason or None)
        run = Run(settings, load(settings))
        try:
            opened = run.opened()
            name = self.node or run.loaded.description.node[0].name
            node = opened.nodes[name]
            if start:
                node.start()
            yield run, node
        finally:
            run.close()

    def _needs_energy(self) -> None:
        import pytest

        if not (self.simulate or self.energise):
            pytest.skip('nothing is energised on a real bench: set `energise = "why"` in the test class')

    def _needs_simulation(self) -> None:
        import pytest

        if not self.simulate:
            pytest.skip("this fault can be had on the simulated bench only")

    # --- shape --------------------------------------------------------------------------------------

    def test_every_verb_has_the_arguments_of_the_protocol(self) -> None:
        """Checks call verbs with these names and in this order."""
        with self.bench(start=False) as (_, node):
            driver = node.driver
            for verb in (name for name in vars(NodeDriver) if not name.startswith("_")):
                wanted = getattr(NodeDriver, verb)
                assert hasattr(driver, verb), f"{verb} is missing"
                if not callable(wanted):
                    continue
                names = list(inspect.signature(wanted).parameters)[1:]
                found = list(inspect.signature(getattr(driver, verb)).parameters)
                assert found[: len(names)] == names, (
                    f"{verb}({', '.join(found)}), expected ({', '.join(names)})"
                )

    def test_making_it_sends_nothing_and_starts_no_thread(self) -> None:
        """Nobody may be on the bus before the checks say so."""
        from hiltest.node.opening import open_driver

        before = threading.active_count()
        sent: list[Any] = []
        with self.bench(start=False) as (run, node):
            run.opened().link.listen_sent(sent.append)
            another = open_driver(run.opened().link, run.loaded, node.name)
            run.opened().link.run_for(1.0)
            another.stop()
            assert not sent, f"{node.name} sent {sent[0]} before start()"
            node.start()
            run.opened().link.run_for(0.2)
            assert threading.active_count() <= before, "a driver waits through the link, not in threads"

    def test_it_offers_verbs_and_loads_that_there_are(self) -> None:
        """As 'verb' or 'verb[load]', with loads of the right kind on this node; and it can always stop all."""
        with self.bench(start=False) as (run, node):
            assert node.offers >= ALWAYS, "every driver offers stop_all"
            mine = [load.name for load in run.loaded.description.loads if load.node == node.name]
            known = {*NODE_VERBS, *_other_verbs()} | {
                f"{verb}[{load}]" for verb in _other_verbs() for load in mine
            }
            for verb, kind in LOAD_VERBS.items():
                known |= {f"{verb}[{load}]" for load in self._loads(run, node, kind)}
            strange = sorted(node.offers - known)
            assert not strange, f"offered, but no verb about a load of this node: {', '.join(strange)}"

    def test_what_is_not_offered_says_so_and_sends_nothing(self) -> None:
        """NotOffered makes a check 'not offered'; anything else would be a finding about the node."""
        with self.bench() as (run, node):
            for verb, call in self._calls(run, node):
                if verb in node.offers:
                    continue
                sent: list[Any] = []
                remove = run.opened().link.listen_sent(lambda frame, sent=sent: sent.append(frame))  # type: ignore[misc]
                try:
                    call(node.driver)
                except NotOffered:
                    assert not sent, f"{verb} is not offered, and sent {sent[0]}"
                else:
                    raise AssertionError(f"{verb} is not offered, and yet it did not raise NotOffered")
                finally:
                    remove()

    def test_a_load_that_is_not_there_is_a_usage_error(self) -> None:
        """A wrong name in a test is the test's fault, and never a KeyError or a fault of the node."""
        with self.bench() as (run, node):
            for verb in sorted({each.partition("[")[0] for each in node.offers} & set(LOAD_VERBS)):
                try:
                    self._call(verb, NOBODY, run)(node.driver)
                except (UsageError, NotOffered):
                    continue
                except Exception as error:
                    raise AssertionError(
                        f"{verb}({NOBODY!r}) raised {error!r}, expected UsageError"
                    ) from error
                raise AssertionError(f"{verb}({NOBODY!r}) did not raise UsageError")

    # --- reading ------------------------------------------------------------------------------------

    def test_what_is_read_has_its_type_and_unit(self) -> None:
        """degC, duty 0..1, pulses per second, volts, microsteps, true and false."""
        with self.bench() as (run, node):
            voltage_v = run.loaded.description.supply.voltage_v
            for verb, call in self._calls(run, node):
                if verb not in node.offers or not verb.startswith(("read_", "identify")):
                    continue
                try:
                    value = call(node.driver)
                except Refused:
                    continue  # a sensor that is not fitted: that it has no value is an answer
                problem = _judge(verb.partition("[")[0], value, voltage_v)
                assert not problem, f"{verb} returned {value!r}: {problem}"

    def test_readings_are_told_and_are_about_loads_of_the_description(self) -> None:
        """The guard lives on them. What was taken off is told nothing more."""
        with self.bench() as (run, node):
            told: list[Reading] = []
            remove = node.on_reading(told.append)
            run.opened().link.run_for(1.0)
            for verb, call in self._calls(run, node):
                if verb in node.offers and verb.startswith("read_temperature_c"):
                    with contextlib.suppress(NodeFault):
                        call(node.driver)
            self._check_readings(run, node, told)
            remove()
            count = len(told)
            run.opened().link.run_for(1.0)
            assert len(told) == count, "a listener that was taken off was called again"

    def _check_readings(self, run: Run, node: GuardedNode, told: list[Reading]) -> None:
        names = {node.name, *(load.name for load in run.loaded.description.loads)}
        temperatures = {each.name for each in told if each.kind == "temperature_c"}
        for reading in told:
            assert reading.kind in get_args(ReadingKind), f"{reading} is of no kind that there is"
            assert reading.name in names, f"{reading} is about nothing in the description"
        for sensor in self._loads(run, node, "sensor"):
            if f"read_temperature_c[{sensor}]" in node.offers:
                assert sensor in temperatures, (
                    f"no reading of sensor {sensor!r} was told: a driver tells each value that it reads, or the guard "
                    "does not see it"
                )

    # --- off ----------------------------------------------------------------------------------------

    def test_stop_all_switches_everything_off_and_waits_for_nothing(self) -> None:
        """The guard calls it in an emergency, from wherever the program is."""
        self._needs_energy()
        with self.bench() as (run, node):
            link = run.opened().link
            for output, on in self._outputs(run, node):
                on()
                link.run_for(1.0)
                self._check_is_on(run, node, output)
                before_ns = link.now_ns
                node.stop_all()
                if self.simulate:
                    assert link.now_ns == before_ns, (
                        f"stop_all waited {(link.now_ns - before_ns) / 1e6:.1f} ms"
                    )
                link.run_for(self._part(run, node).stop_max_s)
                self._check_is_off(run, node, output)

    def test_stop_all_does_not_fail_on_a_dead_bus(self) -> None:
        """Nobody acknowledges: it says so by QueueFull or not at all, and never hangs."""
        self._needs_simulation()
        with self.bench("no_node") as (run, node):
            before_ns = run.opened().link.now_ns
            for _ in range(3):
                node.stop_all()
            assert run.opened().link.now_ns == before_ns

    def test_nothing_energises_before_the_gates(self) -> None:
        """What energises does so by the verbs that the guard knows."""
        self._needs_energy()
        with self.bench() as (run, node):
            run.opened().guard.released_because = None
            for output, on in self._outputs(run, node):
                try:
                    on()
                except GateClosed:
                    continue
                raise AssertionError(f"{output} was energised with every gate closed")

    def test_a_setpoint_above_the_ceiling_is_refused(self) -> None:
        """By the guard before it is sent; where the node holds the ceiling too, its refusal comes as Refused."""
        with self.bench() as (run, node):
            for heater in run.loaded.description.heater:
                if f"set_heater_c[{heater.name}]" not in node.offers:
                    continue
                sent: list[Any] = []
                remove = run.opened().link.listen_sent(lambda frame, sent=sent: sent.append(frame))  # type: ignore[misc]
                try:
                    node.set_heater_c(heater.name, heater.ceiling_c + 1.0)
                except UsageError:
                    assert not sent, f"a setpoint above the ceiling of {heater.name} was sent: {sent[0]}"
                else:
                    raise AssertionError(f"a setpoint above the ceiling of {heater.name} was not refused")
                finally:
                    remove()

    def test_after_stop_the_bus_is_left_alone(self) -> None:
        """No sign of life and no cyclic command goes on; it may be called twice."""
        with self.bench() as (run, node):
            link, sent = run.opened().link, list[Any]()
            link.run_for(0.5)
            node.stop()
            node.stop()
            link.listen_sent(sent.append)
            link.run_for(1.0)
            assert not sent, f"{sent[0]} was sent after stop()"

    # --- the host's silence, a reset ----------------------------------------------------------------

    def test_a_silent_host_sends_nothing_and_speaks_again(self) -> None:
        """The drills that take the host away rest on it."""
        with self.bench() as (run, node):
            if not {"go_silent", "resume"} <= node.offers:
                return
            link, sent = run.opened().link, list[Any]()
            link.listen_sent(sent.append)
            link.run_for(0.5)
            speaks_here = bool(sent)  # a node that is reached over a console hears the host there
            node.go_silent()
            sent.clear()
            link.run_for(1.0)
            assert not sent, f"{sent[0]} was sent by a silent host"
            node.resume()
            link.run_for(1.0)
            assert sent or not speaks_here, "after resume() nothing was sent"

    def test_a_restart_takes_the_time_that_it_returns(self) -> None:
        """Seconds from the command to the first sign of life; told as a reading, so that the guard knows."""
        with self.bench() as (run, node):
            if "restart" not in node.offers:
                return
            boots: list[Reading] = []
            node.on_reading(lambda reading: boots.append(reading) if reading.kind == "boot" else None)
            before_s = run.opened().link.now_s
            took_s = node.restart(3 * self._part(run, node).boot_max_s)
            passed_s = run.opened().link.now_s - before_s
            assert 0.0 < took_s <= passed_s + 0.001, f"restart returned {took_s} s, and {passed_s} s passed"
            assert boots, "no boot was told"

    # --- errors -------------------------------------------------------------------------------------

    def test_a_dead_node_is_no_answer_in_bounded_time(self) -> None:
        """Not a time-out of a library, not a hang; and it is counted."""
        self._needs_simulation()
        with self.bench("no_node") as (run, node):
            link, asked = run.opened().link, 0
            for verb, call in self._calls(run, node):
                if verb not in node.offers or not verb.startswith(("read_", "identify")):
                    continue
                before_s = link.now_s
                try:
                    value = call(node.driver)
                except NoAnswer:
                    asked += 1
                except Exception as error:
                    raise AssertionError(
                        f"{verb} on a dead node raised {error!r}, expected NoAnswer"
                    ) from error
                else:
                    raise AssertionError(f"{verb} on a dead node returned {value!r}")
                waited_s = link.now_s - before_s
                assert waited_s <= ANSWER_MAX_S, f"{verb} waited {waited_s:.1f} s for a dead node"
            assert node.unanswered >= bool(asked), "unanswered did not count what stayed without an answer"

    def test_a_lost_sensor_is_no_temperature(self) -> None:
        """It is refused or not a number, and never a plausible value: the guard trips on both."""
        self._needs_simulation()
        with self.bench(start=False) as (run, node):
            sensors = [
                s for s in self._loads(run, node, "sensor") if f"read_temperature_c[{s}]" in node.offers
            ]
        for sensor in sensors:
            with self.bench(f"sensor_open[{sensor}]") as (run, node):
                told: list[Reading] = []
                node.on_reading(told.append)
                run.opened().link.run_for(1.0)
                try:
                    value_c = node.read_temperature_c(sensor)
                except NodeFault:
                    pass
                else:
                    assert math.isnan(value_c), f"the open sensor {sensor!r} reads {value_c} degC"
                for reading in told:
                    if (reading.kind, reading.name) == ("temperature_c", sensor):
                        assert math.isnan(reading.value), f"{reading} was told of an open sensor"

    # --- helpers ------------------------------------------------------------------------------------

    def _part(self, run: Run, node: GuardedNode) -> Node:
        return next(each for each in run.loaded.description.node if each.name == node.name)

    def _loads(self, run: Run, node: GuardedNode, kind: str) -> list[str]:
        return [load.name for load in getattr(run.loaded.description, kind) if load.node == node.name]

    def _calls(self, run: Run, node: GuardedNode) -> Iterator[tuple[str, Callable[[Any], Any]]]:
        """Each verb that only reads or that would switch off, for each load; those that energise are asked for 0."""
        for verb in ("identify", "read_status", "read_bus_counters", "read_supply_v"):
            yield verb, lambda driver, verb=verb: getattr(driver, verb)()  # type: ignore[misc]
        for verb, kind in LOAD_VERBS.items():
            for load in self._loads(run, node, kind):
                yield f"{verb}[{load}]", self._call(verb, load, run)

    def _call(self, verb: str, load: str, run: Run) -> Callable[[Any], Any]:
        """A call of a verb that energises nothing."""
        arguments: dict[str, tuple[Any, ...]] = {
            "set_heater_c": (0.0,),
            "pulse_heater": (0.0, 0.0),
            "set_fan": (0.0,),
            "configure_driver": (0.1, 16),
            "enable_driver": (False,),
            "move": (0, 0.1, 1.0),
            "set_lamp": (None,),
        }
        return lambda driver: getattr(driver, verb)(load, *arguments.get(verb, ()))

    def _outputs(self, run: Run, node: GuardedNode) -> Iterator[tuple[str, Callable[[], object]]]:
        """What can be switched on briefly, and how, behind the guard."""
        description = run.loaded.description
        for fan in (each for each in description.fan if f"set_fan[{each.name}]" in node.offers):
            yield f"fan:{fan.name}", lambda fan=fan: node.set_fan(fan.name, 1.0)  # type: ignore[misc]
        for heater in (each for each in description.heater if f"set_heater_c[{each.name}]" in node.offers):
            yield (
                f"heater:{heater.name}",
                lambda heater=heater: node.set_heater_c(heater.name, heater.low_setpoint_c),  # type: ignore[misc]
            )
        for lamp in (each for each in description.lamp if f"set_lamp[{each.name}]" in node.offers):
            yield f"lamp:{lamp.name}", lambda lamp=lamp: node.set_lamp(lamp.name, lamp.colours[0])  # type: ignore[misc]

    def _check_is_on(self, run: Run, node: GuardedNode, output: str) -> None:
        """What never came on proves nothing when it is off."""
        truth = getattr(getattr(run.opened().link.port.bus, "bench", None), "truth", None)
        if truth is not None:
            assert _names(node, output) & truth.outputs_on(), f"{output} was commanded on and did not come on"
        elif (read := f"read_tach_hz[{output.partition(':')[2]}]") in node.offers:
            assert self._call("read_tach_hz", output.partition(":")[2], run)(node) > 0, (
                f"{read} is 0 at full duty"
            )

    def _check_is_off(self, run: Run, node: GuardedNode, output: str) -> None:
        kind, _, name = output.partition(":")
        truth = getattr(getattr(run.opened().link.port.bus, "bench", None), "truth", None)
        if truth is not None:
            assert not _names(node, output) & truth.outputs_on(), f"{output} is still on after stop_all"
        if kind == "heater" and f"read_heater_output[{name}]" in node.offers:
            assert node.read_heater_output(name) == 0.0, (
                f"{output}: the node still applies power after stop_all"
            )


def _judge(verb: str, value: Any, voltage_v: float) -> str:
    """What is wrong with a value of this verb, in words; empty if nothing is."""
    kinds: dict[str, type | tuple[type, ...]] = {
        "identify": Identity,
        "read_driver": StepperDriver,
        "read_switch": bool,
        "read_position": int,
    }
    if verb in kinds:
        return "" if isinstance(value, kinds[verb]) else f"expected {kinds[verb]}"
    ranges = {
        "read_temperature_c": (COLDEST_C, HOTTEST_C, "degC"),
        "read_heater_output": (0.0, 1.0, "(a duty from 0 to 1)"),
        "read_tach_hz": (0.0, 5000.0, "pulses per second"),
        "read_supply_v": (0.0, 2.0 * voltage_v, "V"),
    }
    if verb not in ranges:
        return ""
    low, high, unit = ranges[verb]
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "expected a number"
    return "" if low <= value <= high else f"expected {low:g} to {high:g} {unit}"


def _names(node: GuardedNode, output: str) -> set[str]:
    """How the simulated bench calls an output: with the node where there are several."""
    return {output, f"{node.name}/{output}"}


def _other_verbs() -> set[str]:
    """Verbs of `hiltest.node.verbs` that are about no kind of load in particular: of the node, and those of drills."""
    protocols = [each for each in vars(verbs).values() if getattr(each, "_is_protocol", False)]
    names = {name for each in protocols for name in vars(each) if not name.startswith("_")}
    return names - set(LOAD_VERBS)
