"""Proof that the load cell lived through the soak: without it no verdict may say tight."""

from __future__ import annotations

from soakmon.physics.belief import judgement
from soakmon.watch.disturbance import DRIFTS_G
from soakmon.watch.record import RunRecord

# A loss shows that the cell lives when it is that share of what evaporation is expected to take,
# and beyond what a dead one drifts.
_SHARE = judgement(0.3, "share")


def alive(record: RunRecord) -> bool:
    """Whether the cell has shown, late enough, that it moves: by the loss it owes, or by a step."""
    observed, owed = record.curve.observed_g(), record.curve.expected().best
    if observed is not None and observed > max(_SHARE * owed, DRIFTS_G):
        return True
    middle_s = (record.soak_s + record.last_s) / 2
    return record.follower.moved_s > middle_s
