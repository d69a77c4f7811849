"""Whether the calibration on record is the one that the bench reads by, and still in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

# Digits that bench.toml carries: a gain copied from a calibration differs by less.
_COPIED_REL = 1e-7


@dataclass(frozen=True, slots=True)
class Standing:
    """In words, and whether masses may be believed by it."""

    good: bool
    text: str


def standing(
    calibration: Mapping[str, Any] | None,
    daily: Mapping[str, Any] | None,
    today: date,
    g_per_count: float | None = None,
) -> Standing:
    """Judge the latest calibration and daily check, as `judge` keeps them.

    daily: the latest check after the calibration, with its `day`. g_per_count: of bench.toml (None:
    not known, as for a run recorded elsewhere). Another gain is told when it is off by more than
    the expanded uncertainty of the calibration's own.
    """
    if calibration is None:
        return Standing(False, "none on record: calibrate with soakmon bench calibrate")
    day, expires, gain = calibration["day"], calibration["expires"], calibration["g_per_count"]
    text = f"of {day}: {gain:.6g} g per count, good until {expires}"
    wrong = _wrong(calibration, daily, today, g_per_count)
    if wrong:
        return Standing(False, f"{text}. NOT IN FORCE: {wrong}")
    return Standing(True, text + _checked(daily))


def _wrong(
    calibration: Mapping[str, Any],
    daily: Mapping[str, Any] | None,
    today: date,
    g_per_count: float | None,
) -> str:
    """Why it is not in force; empty when it is."""
    day, expires = str(calibration["day"]), str(calibration["expires"])
    if not calibration["passed"]:
        return "it did not pass"
    if today.isoformat() >= expires:
        return "expired: calibrate again"
    if today.isoformat() < day:
        return f"made later than {today.isoformat()}"
    gain = float(calibration["g_per_count"])
    # Calibrations of earlier versions were kept without it.
    expanded = calibration.get("g_per_count_expanded", 2 * float(calibration["g_per_count_u"]))
    allowed = max(float(expanded), _COPIED_REL * abs(gain))
    if g_per_count is not None and abs(g_per_count - gain) > allowed:
        return (
            f"bench.toml reads by {g_per_count:.6g} g per count: put cell.g_per_count = "
            f"{gain:.9g} there"
        )
    if daily is not None and abs(daily["error_g"]) > daily["limit_g"]:
        return f"the daily check was {daily['error_g']:+.3f} g off: calibrate again"
    return ""


def _checked(daily: Mapping[str, Any] | None) -> str:
    if daily is None:
        return "; not checked since"
    return f"; checked on {daily['day']} with one mass, {daily['error_g']:+.3f} g off"
