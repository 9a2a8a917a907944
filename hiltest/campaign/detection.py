"""What the catalogue finds and what it lets pass, counted over many simulated boards, with exact bounds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from hiltest.campaign.boards import BoardResult
from hiltest.physics.binomial import clopper_pearson, error_rate_upper_bound

CONFIDENCE = 0.95


@dataclass(slots=True)
class Count:
    """Boards of one kind, by verdict. `by_check` counts which check failed first."""

    name: str
    rejected: int = 0
    incomplete: int = 0
    accepted: int = 0
    by_check: dict[str, int] = field(default_factory=dict)
    seeds: dict[str, list[int]] = field(default_factory=dict)

    @property
    def boards(self) -> int:
        return self.rejected + self.incomplete + self.accepted

    def add(self, result: BoardResult) -> None:
        """Count one board."""
        setattr(self, result.verdict, getattr(self, result.verdict) + 1)
        self.seeds.setdefault(result.verdict, []).append(result.order.seed)
        if result.failed:
            first = result.failed[0]
            self.by_check[first] = self.by_check.get(first, 0) + 1

    def accepted_share(self) -> tuple[float, float]:
        """Bounds of the share that is accepted, two-sided, exact (Clopper-Pearson)."""
        return clopper_pearson(self.accepted, self.boards, CONFIDENCE)

    def missed_at_most(self) -> float:
        """Upper bound of the share of such boards that is accepted, one-sided, exact."""
        return error_rate_upper_bound(self.accepted, self.boards, CONFIDENCE)


def count(name: str, results: Iterable[BoardResult]) -> Count:
    """Count boards of one kind."""
    counted = Count(name)
    for result in results:
        counted.add(result)
    return counted


def healthy_table(counted: Count) -> str:
    """How many healthy boards were accepted, with exact bounds, and which seeds were not."""
    low, high = counted.accepted_share()
    lines = [
        f"healthy boards accepted: {counted.accepted} of {counted.boards}",
        f"  share accepted: {low:.5f} to {high:.5f} ({CONFIDENCE:.0%}, exact)",
    ]
    lines += [
        f"  {verdict}: seeds {', '.join(map(str, sorted(counted.seeds[verdict])))}"
        for verdict in ("rejected", "incomplete")
        if verdict in counted.seeds
    ]
    lines += [f"  failed first: {name}, {number}" for name, number in _most(counted)]
    return "\n".join(lines)


def detection_table(counts: Sequence[Count]) -> str:
    """One row a fault: boards, rejected, incomplete, accepted, bound of the missed share, who found it first."""
    head = f"{'fault':<46}{'boards':>7}{'rejected':>9}{'incompl.':>9}{'accepted':>9}  {'missed at most':<15}found first by"
    lines = [head, "-" * len(head)]
    for each in counts:
        found = ", ".join(f"{name} {number}" for name, number in _most(each)[:3]) or "-"
        lines.append(
            f"{each.name:<46}{each.boards:>7}{each.rejected:>9}{each.incomplete:>9}{each.accepted:>9}  "
            f"{each.missed_at_most():<15.3f}{found}"
        )
    return "\n".join(lines)


def _most(counted: Count) -> list[tuple[str, int]]:
    return sorted(counted.by_check.items(), key=lambda each: (-each[1], each[0]))
