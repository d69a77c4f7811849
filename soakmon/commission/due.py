"""What a bench is due for, by what its records hold: told by `soakmon check`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

CALIBRATION_SOON = timedelta(days=14)
# How long a trial by hand holds: common practice, no source.
KINDS = {
    "straw": (timedelta(days=30), "gates", "clean them and touch each: soakmon bench straw --live"),
    "drip": (timedelta(days=180), "known leak", "set one: soakmon bench drip --live"),
    "commissioning": (timedelta(days=365), "commissioning", "sudo soakmon commission"),
}


@dataclass(frozen=True, slots=True)
class Last:
    """A result that was kept: its day, whether it was within its limits, and its summary."""

    day: date
    passed: bool
    data: Mapping[str, Any]
    text: str = ""


def due(last: Mapping[str, Last], today: date) -> list[tuple[str, str]]:
    """(name, what to do) of all that is due. last: by kind; what was never done is missing."""
    lines = [*_calibration(last.get("calibration"), today)]
    daily = last.get("daily_check")
    if daily is None or daily.day < today:
        text = "not checked today" if daily is None else f"last checked on {daily.day}"
        lines.append(("daily mass", f"{text}: soakmon bench daily --live"))
    for kind, (holds, name, do) in KINDS.items():
        result = last.get(kind)
        if result is None:
            lines.append((name, f"never done: {do}"))
        elif not result.passed:
            lines.append((name, f"was not good on {result.day}: mend it, then {do}"))
        elif today - result.day > holds:
            lines.append((name, f"last done on {result.day}: {do}"))
    return lines


def _calibration(last: Last | None, today: date) -> list[tuple[str, str]]:
    do = "soakmon bench calibrate --live"
    if last is None:
        return [("calibration", f"never done: {do}")]
    expires = date.fromisoformat(str(last.data["expires"]))
    if today >= expires:
        return [("calibration", f"expired on {expires}: {do}")]
    if expires - today <= CALIBRATION_SOON:
        return [("calibration", f"expires on {expires}: {do}")]
    return []


def gate_dirty(dark_per_h: list[float]) -> str:
    """Whether counts of dry gates rise, oldest first, in words; "" where they do not.

    A beam that fades or a lens that fogs counts what is no drop: by the last three against those
    before, three times as many and more than one in four hours.
    """
    if len(dark_per_h) < 6:
        return ""
    late = sum(dark_per_h[-3:]) / 3
    early = sum(dark_per_h[:-3]) / len(dark_per_h[:-3])
    if late > 0.25 and late > 3 * early:
        return f"dark counts rise: {early:.2f} an hour before, {late:.2f} now: clean it"
    return ""
