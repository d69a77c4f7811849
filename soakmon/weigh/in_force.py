"""Whether the calibration on record is the one that the bench reads by, and still in force."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from soakmon.texts import say

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
        return Standing(False, say("in_force.none_on_record_calibrate_soakmon"))
    day, expires, gain = calibration["day"], calibration["expires"], calibration["g_per_count"]
    text = say("in_force.g_per_count_good_until", day=day, gain=f"{gain:.6g}", expires=expires)
    wrong = _wrong(calibration, daily, today, g_per_count)
    if wrong:
        return Standing(False, say("in_force.not_force", text=text, wrong=wrong))
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
        return say("in_force.did_not_pass")
    if today.isoformat() >= expires:
        return say("in_force.expired_calibrate_again")
    if today.isoformat() < day:
        return say("in_force.made_later_than", isoformat=today.isoformat())
    gain = float(calibration["g_per_count"])
    # Calibrations of earlier versions were kept without it.
    expanded = calibration.get("g_per_count_expanded", 2 * float(calibration["g_per_count_u"]))
    allowed = max(float(expanded), _COPIED_REL * abs(gain))
    if g_per_count is not None and abs(g_per_count - gain) > allowed:
        return say(
            "in_force.bench_toml_reads_g_per", g_per_count=f"{g_per_count:.6g}", gain=f"{gain:.9g}"
        )
    if daily is not None and abs(daily["error_g"]) > daily["limit_g"]:
        return say("in_force.daily_check_was_g_off", error_g=f"{daily['error_g']:+.3f}")
    return ""


def _checked(daily: Mapping[str, Any] | None) -> str:
    if daily is None:
        return say("in_force.not_checked_since")
    return say(
        "in_force.checked_on_one_mass_g", day=daily["day"], error_g=f"{daily['error_g']:+.3f}"
    )
