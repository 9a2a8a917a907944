"""A driver of one's own: the manual's example, really installed; the conformance kit on it and on our drivers."""

from __future__ import annotations

import importlib
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import hiltest.docs
from hiltest.campaign.runner import run_catalogue
from hiltest.description.loading import load_description
from hiltest.errors import UsageError
from hiltest.link import Link
from hiltest.node.opening import open_driver
from hiltest.settings import Settings
from hiltest.testing import DriverTests

PAGE = (Path(hiltest.docs.__file__).parent / "drivers_own.md").read_text(encoding="utf-8")
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def block(language: str, name: str = "") -> str:
    """A fenced block of the page; by the name of the file that it is, if it has one."""
    head = f"{language} file={name}" if name else language
    (found,) = re.findall(rf"^```{re.escape(head)}\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)
    return found


def install(folder: Path, name: str, value: str) -> None:
    """What pip leaves behind of a package with an entry point."""
    info = folder / f"{name}_driver-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}-driver\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[hiltest.drivers]\n{name} = {value}\n")


def described(folder: Path, driver: str = "shop") -> Path:
    """The description of the page, with the files that it names."""
    text = block("toml", "shop.toml")
    assert text.count('driver = "shop"') == 1
    (folder / "glue_head.eds").write_bytes((FIXTURES / "glue_head.eds").read_bytes())
    file = folder / "shop.toml"
    file.write_text(text.replace('driver = "shop"', f'driver = "{driver}"'))
    return file


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The example of the page, installed in a folder of its own; the description that names it."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "shop_driver.py").write_text(block("python", "shop_driver.py"))
    (entry_point,) = re.findall(r'^shop = "(.*)"$', block("toml", "pyproject.toml"), re.MULTILINE)
    install(folder, "shop", entry_point)
    sys.path.insert(0, str(folder))
    importlib.invalidate_caches()
    yield described(folder)
    sys.path.remove(str(folder))
    sys.modules.pop("shop_driver", None)


# --- the example ----------------------------------------------------------------------------------------


def test_the_example_is_short() -> None:
    """Thirty lines, as the page says, without the empty ones."""
    assert len([line for line in block("python", "shop_driver.py").splitlines() if line.strip()]) <= 30


def test_the_catalogue_runs_on_the_example(shop: Path) -> None:
    """What it offers is measured on the simulated bench; what it lacks is not offered, and no check is green for it."""
    only = ("fan.tach[nozzle]", "sense.ambient[board]", "bus.heartbeat[shop]", "sense.supply[shop]")
    record = run_catalogue(Settings(file=shop, simulate=True), None, only)
    found = {check.name: check for check in record.checks}

    for name in ("bus.enumerate[shop]", "fan.tach[nozzle]", "sense.ambient[board]", "bus.heartbeat[shop]"):
        assert found[name].outcome == "passed", found[name].reason
    assert found["sense.supply[shop]"].outcome == "not offered"
    assert "read_supply_v" in found["sense.supply[shop]"].reason


def test_a_fault_is_found_through_the_example(shop: Path) -> None:
    """A stalled fan fails the check of its tach."""
    settings = Settings(file=shop, simulate=True, faults=("fan_stalled[nozzle]",))
    record = run_catalogue(settings, None, ("fan.tach[nozzle]",))

    assert {check.name: check.outcome for check in record.checks}["fan.tach[nozzle]"] == "failed"


# --- the conformance kit --------------------------------------------------------------------------------


class TestShopDriver(DriverTests):
    """The example of the manual."""

    @pytest.fixture(autouse=True)
    def _installed(self, shop: Path) -> None:
        self.description = shop


class TestCanopenDriver(DriverTests):
    """Ours, on the glue head."""

    description = FIXTURES / "glue_head.toml"


class TestDbcDriver(DriverTests):
    """Ours, on the vent actuator."""

    description = FIXTURES / "vent_actuator.toml"


class TestFramesDriver(DriverTests):
    """Ours, on the label peel bar, whose description lays its frames out."""

    description = FIXTURES / "label_peel.toml"


class TestConsoleDriver(DriverTests):
    """Ours, on the glue head with a console alone."""

    description = FIXTURES / "glue_head_console.toml"


BROKEN = {
    "sends while it is made": (
        "    def __init__(self, *a):\n        super().__init__(*a)\n        self.send(1, b'')\n",
        "making_it_sends_nothing",
    ),
    "a temperature in tenths": (
        "    def read_temperature_c(self, sensor): return 10 * super().read_temperature_c(sensor) + 400\n",
        "what_is_read_has_its_type_and_unit",
    ),
    "tells the guard nothing": (
        "    def tell(self, kind, name, value, asked=True): return value\n",
        "readings_are_told",
    ),
    "waits in stop_all": (
        "    def stop_all(self):\n        super().stop_all()\n        self.link.run_for(0.1)\n",
        "stop_all_switches_everything_off",
    ),
    "stops nothing": ("    def stop_all(self): pass\n", "stop_all_switches_everything_off"),
    "a name that is not there": (
        "    def read_tach_hz(self, fan): return {'nozzle': 1.0}[fan]\n",
        "a_load_that_is_not_there",
    ),
    "goes on after stop": ("    def stop(self): pass\n", "after_stop_the_bus_is_left_alone"),
    "goes on as a silent host": ("    def go_silent(self): pass\n", "a_silent_host_sends_nothing"),
    "its own time-out": (
        "    def fresh(self, *a, **k):\n        try: return super().fresh(*a, **k)\n"
        "        except Exception: raise TimeoutError from None\n",
        "a_dead_node_is_no_answer",
    ),
    "the last value for ever": (
        "    def read_temperature_c(self, sensor): return self.tell('temperature_c', sensor, 23.0)\n",
        "a_lost_sensor_is_no_temperature",
    ),
    "offers what nobody knows": (
        "    offers = frozenset({'stop_all', 'make_coffee'})\n",
        "it_offers_verbs_and_loads",
    ),
    "another argument": (
        "    def set_fan(self, which, percent): pass\n",
        "every_verb_has_the_arguments",
    ),
    "does nothing where it offers nothing": (
        "    def read_supply_v(self): return 0.0\n"
        "    offers = property(lambda self: super(type(self), self).offers - {'read_supply_v'})\n",
        "what_is_not_offered_says_so",
    ),
}


@pytest.mark.parametrize("how", BROKEN)
def test_the_kit_finds_a_driver_that_is_wrong(
    how: str, shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The right check of it fails, with a sentence; each was a driver that conforms before."""
    body, finds = BROKEN[how]
    (tmp_path / "broken_driver.py").write_text(
        f"from shop_driver import ShopDriver\nclass Broken(ShopDriver):\n{body}"
    )
    install(tmp_path, "broken", "broken_driver:Broken")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "broken_driver", raising=False)

    class Tests(DriverTests):
        description = described(tmp_path, "broken")

    (check,) = [getattr(Tests(), name) for name in dir(Tests) if name.startswith(f"test_{finds}")]
    with pytest.raises(AssertionError, match=r"\w+.* \S*\w+"):
        check()


# --- a driver that is missing or broken -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("driver", "value", "says"),
    [
        ("shopp", "", "did you mean 'shop'? Installed there: shop"),
        (
            "absent",
            "no_such_module:Driver",
            "could not be imported: ModuleNotFoundError: No module named 'no_such_module'",
        ),
        ("nothing", "shop_driver:struct", "it must be a class or function (link, description, node, folder)"),
        ("short", "types:SimpleNamespace", "could not be made: TypeError"),
        ("lacking", "hiltest.link:Link", "could not be made"),
        ("empty", "lacking_driver:make", "lacks configure_driver, enable_driver, go_silent"),
    ],
)
def test_a_missing_or_broken_driver_is_told(
    driver: str, value: str, says: str, shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the node, the name, where it comes from and what to do; before anything is sent."""
    (tmp_path / "lacking_driver.py").write_text(
        "def make(link, description, node, folder): return object()\n"
    )
    if value:
        install(tmp_path, driver, value)
    monkeypatch.syspath_prepend(tmp_path)
    loaded = load_description(described(tmp_path, driver))

    with pytest.raises(UsageError) as error:
        open_driver(None, loaded, "shop")  # type: ignore[arg-type]

    assert says in str(error.value)
    assert f"node 'shop': driver '{driver}'" in str(error.value)


def test_two_packages_with_one_name_are_told(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which of them would be taken is nothing to guess."""
    install(tmp_path, "shop2", "other_driver:Other")
    (info,) = tmp_path.glob("*.dist-info")
    (info / "entry_points.txt").write_text("[hiltest.drivers]\nshop = other_driver:Other\n")
    monkeypatch.syspath_prepend(tmp_path)

    with pytest.raises(
        UsageError, match=r"several installed packages \(other_driver:Other, shop_driver:ShopDriver\)"
    ):
        open_driver(None, load_description(shop), "shop")  # type: ignore[arg-type]


def test_a_driver_without_stop_all_drives_nothing(glue_head: Path) -> None:
    """It is refused when it is started."""
    from hiltest.canbus.opening import open_port
    from hiltest.node.own import OwnDriver
    from hiltest.session import load

    class Careless(OwnDriver):
        pass

    loaded = load(Settings(file=glue_head, simulate=True))
    link = Link(open_port(loaded.description.bus[0]))
    with pytest.raises(UsageError, match="has no stop_all"):
        Careless(link, loaded.description, "head").start()
    link.close()
