"""A counted share, with its limits and the bounds within which it should be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from soakmon.capability.tables import lower_share, upper_share
from soakmon.watch.figures import percent_at_least, percent_at_most


@dataclass(frozen=True, slots=True)
class Figure:
    """number of so many; least, most: bounds of the share (None: none)."""

    name: str
    number: int
    of: int
    least: float | None = None
    most: float | None = None

    @property
    def limits(self) -> tuple[float, float]:
        """Both ends of where the share may be (two times 2.5 %)."""
        low, high = (limit(self.number, self.of, 0.975) for limit in (lower_share, upper_share))
        return low, high

    @property
    def good(self) -> bool:
        """Whether the share may lie within its bounds."""
        low, high = self.limits
        return (self.least is None or high >= self.least) and (
            self.most is None or low <= self.most
        )

    def __str__(self) -> str:
        """In a line."""
        if not self.of:
            return f"{self.name}: none"
        low, high = self.limits
        text = f"{self.name}: {self.number} of {self.of} ({self.number / self.of:.1%}), between "
        text += f"{percent_at_least(low)} and {percent_at_most(high)}"
        return text + ("" if self.good else " – OUT OF BOUNDS")


def covered(name: str, held: int, of: int) -> Figure:
    """How often what is stated as 95 % held."""
    return Figure(name, held, of, 0.93, 0.97)


def around(
    name: str, limit: float, stated: float, bad: Callable[[float], bool], times: int
) -> Iterator[Figure]:
    """False and missed judgements of benches about a limit.

    bad: whether a bench with that true value is judged beyond it; stated: the 95 % that a judgement
    leaves open. What is bad only beyond limit and uncertainty accuses one in forty at its limit,
    misses half of what is beyond it by its uncertainty (fewer where several values are), and one in
    forty of twice that.
    """

    def counted(value: float, *, found: bool) -> int:
        return sum(bad(value) is found for _ in range(times))

    inside, at = counted(limit - stated, found=True), counted(limit, found=True)
    outside, beyond = (counted(limit + k * stated, found=False) for k in (1, 2))
    yield Figure(f"{name}: inside by its ± {stated:.2g}, judged bad", inside, times, most=0.005)
    yield Figure(f"{name}: exactly at its limit {limit:.3g}, judged bad", at, times, most=0.035)
    yield Figure(f"{name}: outside by its ±, passed", outside, times, most=0.7)
    yield Figure(f"{name}: outside by twice its ±, passed", beyond, times, most=0.05)
