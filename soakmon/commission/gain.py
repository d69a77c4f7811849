"""Grams per count by one known mass beside the empty bottle: enough to begin, no calibration."""

from __future__ import annotations

from typing import Any

from soakmon.commission.record import CommissionStep
from soakmon.texts import say

# Fewer counts than this between empty and loaded are no cell that feels the mass.
_LEAST_COUNTS = 1000.0


def gain_of(mass_g: float, empty: float, loaded: float) -> tuple[dict[str, Any], CommissionStep]:
    """What bench.toml is to say of the cell, and the step. empty, loaded: counts."""
    name = say("gain.name")
    if mass_g <= 0 or abs(loaded - empty) < _LEAST_COUNTS:
        text = say("gain.not_felt", counts=f"{loaded - empty:+.0f}", mass_g=f"{mass_g:g}")
        return {}, CommissionStep(name, False, text)
    gain = mass_g / (loaded - empty)
    keys = {"cell.g_per_count": float(f"{gain:.9g}"), "cell.zero_counts": round(empty, 2)}
    text = say("gain.found", mass_g=f"{mass_g:g}", gain=f"{gain:.6g}")
    return keys, CommissionStep(name, True, text)
