"""The measured capability as a table, and as JSON in the form ``soakmon.capability/1``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import median
from typing import Any

from soakmon.capability.evaluate import LEAKS_G_PER_DAY, Result, Way, smallest_at
from soakmon.capability.tables import Errors, lower_share, upper_share
from soakmon.watch.settings import Settings

SCHEMA = "soakmon.capability/1"
CRITERION_G_PER_DAY = Settings().criterion_g_per_day
_FEWEST_ERRORS = 8
WAYS = {
    Way.GATES: "seen by a gate",
    Way.MASS_ONLY: "by mass alone",
    Way.AFTER_BLANK: "by mass alone after a blank run",
}


def as_dict(results: Sequence[Result]) -> dict[str, Any]:
    """The fixed JSON form; a figure that these nights do not give is null."""
    tight = [r for r in results if r.leak_g_per_day == 0]
    leaking = sum(r.found for r in tight)
    seen = [r for r in results if r.leak_g_per_day > 0 and r.way == Way.GATES and r.found]
    return {
        "schema": SCHEMA,
        "false_alarm": {
            "nights": len(tight),
            "leaking": leaking,
            "upper95": _rounded(upper_share(leaking, len(tight))),
        },
        "detection": [
            {
                "leak_g_per_day": leak,
                "gates": way is Way.GATES,
                "nights": len(mine),
                "found": sum(r.found for r in mine),
                "median_delay_s": _rounded(middle_delay(mine), 0),
            }
            for way in (Way.GATES, Way.MASS_ONLY)
            for leak in LEAKS_G_PER_DAY[way]
            if (mine := of(results, way, leak))
        ],
        "smallest_leak_95_g_per_day": {way.value: smallest_at(results, way) for way in Way},
        "sd_over_bound": _rounded(sd_over_bound(results)),
        "carb_right": _share(r.carb_right for r in seen),
        "cause_right": _share(r.cause_right for r in seen),
        "seconds_per_night": _rounded(mean_seconds(results)),
    }


def of(results: Iterable[Result], way: Way, leak_g_per_day: float) -> list[Result]:
    """The nights of one leak known in one way."""
    return [r for r in results if r.way == way and r.leak_g_per_day == leak_g_per_day]


def middle_delay(results: Iterable[Result]) -> float | None:
    """Median delay of the alarms on nights that were found, s."""
    delays = [r.delay_s for r in results if r.found and r.delay_s is not None]
    return median(delays) if delays else None


def mean_seconds(results: Sequence[Result]) -> float | None:
    """Mean CPU time of deciding a night, s."""
    return math.fsum(r.seconds for r in results) / len(results) if results else None


def sd_over_bound(results: Iterable[Result]) -> float | None:
    """Root mean square of error over its bound, night by night, without a blank run."""
    ratios = [
        r.error_g_per_day / r.bound_g_per_day
        for r in results
        if r.error_g_per_day is not None and r.bound_g_per_day and r.way != Way.AFTER_BLANK
    ]
    return math.sqrt(math.fsum(x * x for x in ratios) / len(ratios)) if ratios else None


def errors(results: Iterable[Result], *, blank: bool) -> Errors | None:
    """Errors of the estimate from mass alone, g/day; None from too few nights."""
    taken = [
        r.error_g_per_day
        for r in results
        if r.error_g_per_day is not None and (r.way == Way.AFTER_BLANK) is blank
    ]
    return Errors.of(taken) if len(taken) >= _FEWEST_ERRORS else None


def detection_lines(results: Sequence[Result]) -> list[tuple[str, str, str, str, str]]:
    """How known, leak, found of nights, lower limit of the share, median delay: as text."""
    return [
        (
            WAYS[way],
            f"{leak:g}",
            f"{sum(r.found for r in mine)} of {len(mine)}",
            f"{lower_share(sum(r.found for r in mine), len(mine)):.0%}",
            _duration(middle_delay(mine)),
        )
        for way in Way
        for leak in LEAKS_G_PER_DAY[way]
        if (mine := of(results, way, leak))
    ]


def error_lines(results: Sequence[Result]) -> list[str]:
    """Bias, spread and what follows from them for the mass alone, without and after a blank run."""
    lines = []
    for blank, name in ((False, "without a blank run"), (True, "after a blank run")):
        spread = errors(results, blank=blank)
        if spread is not None:
            lines.append(
                f"estimate from mass alone, {name}: {spread.n} nights, bias {spread.bias:+.2f} "
                f"({'counts' if spread.biased else 'not significant'}, t {spread.t_bias:.2f}), "
                f"sd {spread.sd:.2f}, threshold for 5 % {spread.threshold:.2f}, "
                f"smallest detectable {spread.smallest_leak:.2f} g/day"
            )
    return lines


def facts(results: Sequence[Result]) -> list[tuple[str, str]]:
    """Name and value of each other figure, as text."""
    told = as_dict(results)
    tight = [r for r in results if r.leak_g_per_day == 0]
    false = told["false_alarm"]
    smallest = told["smallest_leak_95_g_per_day"]
    proven = sum(r.outcome == "tight" for r in tight)
    above = [r for r in results if r.leak_g_per_day > CRITERION_G_PER_DAY]
    missed = sum(r.outcome == "tight" for r in above)
    return [
        ("Tight nights called leaking", f"{false['leaking']} of {false['nights']}, at most "
         f"{false['upper95']:.1%} with 95 % confidence"),
        ("Tight nights proven tight", f"{proven} of {len(tight)}"),
        (f"Leaks over {CRITERION_G_PER_DAY:g} g/day called tight", f"{missed} of {len(above)}"),
        *((f"Smallest leak found at 95 %, {name}", _grams(smallest[way.value]))
          for way, name in WAYS.items()),
        ("Spread of the estimate over the least possible", _plain(told["sd_over_bound"])),
        ("Carburettor right, of leaks found at gates", _percent(told["carb_right"])),
        ("Cause right, of leaks found at gates", _percent(told["cause_right"])),
        ("Deciding a night takes", f"{told['seconds_per_night']} s of one core"),
    ]  # fmt: skip


def _share(right: Iterable[bool]) -> float | None:
    values = list(right)
    return _rounded(sum(values) / len(values)) if values else None


def _rounded(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(value, digits)


def _plain(value: float | None) -> str:
    return "not known from these nights" if value is None else f"{value:.2f}"


def _percent(value: float | None) -> str:
    return "not known from these nights" if value is None else f"{value:.0%}"


def _grams(value: float | None) -> str:
    return "none of those tried" if value is None else f"{value:g} g/day"


def _duration(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    return f"{seconds / 60:.0f} min" if abs(seconds) < 7200 else f"{seconds / 3600:.1f} h"
