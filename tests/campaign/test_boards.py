"""Campaigns: many boards, in this process or in others, kept in a store and counted with exact bounds."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from hiltest.campaign import boards as boards_module
from hiltest.campaign.boards import BoardOrder, BoardResult, Harm, Store, boards, run_boards
from hiltest.campaign.detection import count, detection_table, healthy_table

DESK = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"


def made(seed: int, verdict: str = "accepted", failed: tuple[str, ...] = ()) -> BoardResult:
    outcomes = {"bus.quiet[can]": "passed", **dict.fromkeys(failed, "failed")}
    harm = Harm({"reservoir": 160.0}, 31.5, {"pump": 0.5}, {"pump": 0}, ("fan:nozzle",))
    reasons = dict.fromkeys(failed, "why")
    return BoardResult(BoardOrder(DESK, seed, ("no_node",)), verdict, "", outcomes, reasons, harm, 100.0, 1.0)


def test_a_board_without_power_does_no_harm() -> None:
    """A whole run on one board: verdict, what failed, and the bench's own account of what was done."""
    (found,) = boards([5], DESK, ["no_node"], workers=0)
    assert found.verdict == "rejected"
    assert found.failed
    assert found.harm.energy_j == {"reservoir": 0.0}
    assert found.harm.travel_rev == {"pump": 0.0}
    assert found.harm.left_on == ()


def test_processes_find_what_this_process_finds(tmp_path: Path) -> None:
    """The same seeds give the same boards in other processes; only the time they take differs."""
    seeds = [1, 2]
    here = {r.order.seed: replace(r, wall_s=0.0) for r in boards(seeds, DESK, ["no_node"], workers=0)}
    there = {r.order.seed: replace(r, wall_s=0.0) for r in boards(seeds, DESK, ["no_node"], workers=2)}
    assert here == there
    assert sorted(here) == seeds


def test_a_rejected_board_may_end_at_its_first_failed_check() -> None:
    """The verdict is the same, and what was not asked for is said to be not run."""
    orders = [BoardOrder(DESK, 5, ("no_node",))]
    (whole,) = run_boards(orders, workers=0)
    (short,) = run_boards(orders, workers=0, until_failed=True)
    assert short.verdict == whole.verdict == "rejected"
    assert short.failed == whole.failed[:1]
    last = list(short.outcomes).index(short.failed[0])
    assert set(list(short.outcomes.values())[last + 1 :]) == {"not run"}


def test_a_store_gives_back_what_it_was_given(tmp_path: Path) -> None:
    """Every field survives the file; another seed is not known."""
    store = Store(tmp_path / "campaign.jsonl")
    store.add(made(1, "rejected", ("bus.enumerate[head]",)))
    again = Store(tmp_path / "campaign.jsonl")
    assert again.get(BoardOrder(DESK, 1, ("no_node",))) == made(1, "rejected", ("bus.enumerate[head]",))
    assert again.get(BoardOrder(DESK, 2, ("no_node",))) is None


def test_a_kept_board_answers_for_the_same_description_elsewhere(tmp_path: Path) -> None:
    """Each process writes its descriptions anew, and takes them away at its end."""
    path, first, second = tmp_path / "campaign.jsonl", tmp_path / "first", tmp_path / "second"
    for folder in (first, second):
        shutil.copytree(DESK.parent, folder, ignore=shutil.ignore_patterns("__pycache__"))
    done = replace(made(1), order=BoardOrder(first / "glue_head.toml", 1))
    Store(path).add(done)
    shutil.rmtree(first)
    asked = BoardOrder(second / "glue_head.toml", 1)
    (found,) = run_boards([asked], workers=0, store=Store(path))
    assert found == replace(done, order=asked)
    assert found.order.key == asked.key


def test_a_store_tells_a_run_cut_short_from_a_whole_one(tmp_path: Path) -> None:
    """A whole run that is asked for later is run; so is a board whose answers or EDS file are no longer the same."""
    path = tmp_path / "campaign.jsonl"
    Store(path).add(made(1), until_failed=True)
    order = BoardOrder(DESK, 1, ("no_node",))
    assert Store(path).get(order) is None
    assert Store(path).get(order, until_failed=True) == made(1)
    keys = set()
    for name, text in (("a", "x"), ("b", "x"), ("c", "y")):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "desk.toml").write_bytes(DESK.read_bytes())
        (folder / "node.eds").write_text(text)
        (folder / "said.toml").write_text(text)
        keys.add(BoardOrder(folder / "desk.toml", 1).key)
        keys.add(BoardOrder(DESK, 1, answers=folder / "said.toml").key)
    assert len(keys) == 4


def test_a_campaign_goes_on_where_it_was_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is in the store is not run again, and half a line at its end is no harm."""
    path = tmp_path / "campaign.jsonl"
    Store(path).add(made(1))
    with path.open("a") as file:
        file.write('{"order": {"file"')
    ran: list[int] = []

    def run(order: BoardOrder, until_failed: bool) -> BoardResult:
        ran.append(order.seed)
        return made(order.seed)

    monkeypatch.setattr(boards_module, "run_board", run)
    orders = [BoardOrder(DESK, seed, ("no_node",)) for seed in (1, 2)]
    assert sorted(r.order.seed for r in run_boards(orders, workers=0, store=Store(path))) == [1, 2]
    assert ran == [2]
    assert len(Store(path)) == 2, "what was added after half a line is kept"


def test_results_of_other_code_are_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A change of hiltest may change a verdict, so its old results are passed over."""
    path = tmp_path / "campaign.jsonl"
    Store(path).add(made(1))
    monkeypatch.setattr(boards_module, "code_hash", lambda: "other")
    assert len(Store(path)) == 0


def test_counts_carry_exact_bounds() -> None:
    """59 boards without a miss show that fewer than 5 % are missed (95 %): 1 - 0.05^(1/59), by the zero-failure rule."""
    counted = count("no_node", [made(seed, "rejected", ("bus.enumerate[head]",)) for seed in range(59)])
    assert counted.missed_at_most() == pytest.approx(0.049508, abs=1e-6)
    table = detection_table([counted])
    assert "0.050" in table
    assert "bus.enumerate[head] 59" in table


def test_a_healthy_board_that_was_not_accepted_is_named() -> None:
    """The table says which seed to look at, and what failed first."""
    results = [made(seed) for seed in range(10)] + [made(77, "rejected", ("fan.tach[nozzle]",))]
    text = healthy_table(count("healthy", results))
    assert "10 of 11" in text
    assert "rejected: seeds 77" in text
    assert "fan.tach[nozzle], 1" in text
    low, high = count("healthy", results).accepted_share()
    assert low == pytest.approx(0.58722, abs=1e-4)  # Clopper-Pearson, 10 of 11: beta quantiles by scipy
    assert high == pytest.approx(0.99770, abs=1e-4)
