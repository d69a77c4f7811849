"""A counted share, with its limits and the bounds within which it should be."""

from __future__ import annotations

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
