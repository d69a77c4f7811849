"""One false-alarm budget for the whole soak, split among the tests for weeps."""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.physics.belief import judgement

# With fewer gates than these, each has a share as if there were so many.
_GATES = judgement(4, "gates")
# Shares of the budget, by what a false alarm of each test costs, and a missed leak (judgement).
_MASS = judgement(0.05, "share")
_MASS_ALONE = judgement(0.44, "share")
_ALL_GATES = judgement(0.39, "share")
_RUNNING = judgement(0.01, "share")
_CLOSING = judgement(0.4, "share")
_BALANCE = judgement(0.1, "share")


@dataclass(frozen=True, slots=True)
class Budget:
    """Probability of a false alarm over a soak, by test; the parts sum to no more than the whole.

    The weep layer compares a likelihood ratio with 1/share: by Ville's inequality the chance that
    it ever crosses on a tight rack is at most the share, however often it is looked at
    (Ville 1939, from memory). Floods have no share: they are called at fixed limits of
    dripping and of falling mass, of which no chance is reckoned.
    """

    total: float
    gates: int

    @property
    def weep_mass(self) -> float:
        """Share of the weep test on mass alone."""
        return (_MASS if self.gates else _MASS_ALONE) * self.total

    @property
    def weep_gate(self) -> float:
        """Share of the weep test of each gate.

        Of few gates no more than of four: what wakes people there is no chance of the draw.
        """
        return _ALL_GATES * self.total / max(self.gates, _GATES) if self.gates else 0.0

    @property
    def running(self) -> float:
        """Share of the closing test when it is looked at on the way.

        No theorem keeps it there: the looks of a night hang together, but a cell that wanders for
        an hour or two is met by some of them.
        """
        return _RUNNING * self.total

    @property
    def closing(self) -> float:
        """Share of the closing test at the end."""
        return _CLOSING * self.total

    @property
    def balance(self) -> float:
        """Share of the plain balance at the end."""
        return _BALANCE * self.total
