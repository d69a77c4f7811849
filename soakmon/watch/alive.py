"""Proof that the load cell lived through the soak: without it no verdict may say tight."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakmon.physics.belief import judgement, measured

if TYPE_CHECKING:
    from soakmon.watch.decide import Decider

# A disconnected bridge was seen to stay within 0.13 g for weeks. A loss shows that the cell lives
# when it is that share of what evaporation is expected to take, and beyond what such a one drifts.
_SHARE = judgement(0.3, "share")
DRIFTS_G = measured(0.2, "g")


def alive(decider: Decider) -> bool:
    """Whether the cell has shown, late enough, that it moves: by the loss it owes, or by a step."""
    observed, owed = decider.curve.observed_g(), decider.curve.expected().best
    if observed is not None and observed > max(_SHARE * owed, DRIFTS_G):
        return True
    middle_s = (decider.soak_s + decider.last_s) / 2
    return decider.follower.moved_s > middle_s
