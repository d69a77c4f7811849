"""The measured capability as JSON, in the form ``soakmon.capability/1``, and what it is made of."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from statistics import median
from typing import TypedDict

from soakmon.capability.both_bounds import Bounds
from soakmon.capability.by_owner import OwnerFigures, ShareOf, by_owner, share_of
from soakmon.capability.evaluate import Result, smallest_at
from soakmon.capability.plan import LEAKS_G_PER_DAY, Way
from soakmon.capability.shares import in_band, woken
from soakmon.capability.tables import lower_share, upper_share
from soakmon.watch.figures import rounded, rounded_down, rounded_up
from soakmon.watch.settings import Settings

SCHEMA = "soakmon.capability/1"
CRITERION_G_PER_DAY = Settings().criterion_g_per_day


class FalseAlarm(TypedDict):
    """Of how many tight nights so many were called leaking, and the upper limit of that share."""

    nights: int
    leaking: int
    upper95: float


class Detection(TypedDict):
    """Of how many nights with a leak so many were found, and how soon in the middle."""

    leak_g_per_day: float
    gates: bool
    nights: int
    found: int
    median_delay_s: float | None


class Hard(TypedDict):
    """The same of hard nights."""

    false_alarm: FalseAlarm
    detection: list[Detection]


class Read(TypedDict):
    """Readings inside the band that was drawn for them: share of all, number of last ones."""

    nights: int
    inside: float | None
    last_inside: int


class InBand(TypedDict):
    """Nights whose true evaporation was inside its band, and the lower limit of that share."""

    nights: int
    inside: int
    lower95: float | None


class BoundsForm(TypedDict):
    """Least spread of a leak by mass on described benches, g/day: simulated world, own model."""

    nights: int
    world_g_per_day: float | None
    world_error_g_per_day: float | None
    model_g_per_day: float | None
    smallest_leak_g_per_day: float | None


class Capability(TypedDict):
    """The fixed form; a figure that the nights do not give is null."""

    schema: str
    false_alarm: FalseAlarm
    detection: list[Detection]
    smallest_leak_95_g_per_day: dict[str, float | None]
    sd_over_bound: float | None
    carb_right: float | None
    cause_right: float | None
    seconds_per_night: float | None
    detection_after_blank: list[Detection]
    causes: dict[str, float | None]
    tight_true: float | None
    hard: Hard
    woken: ShareOf
    by_owner: dict[str, OwnerFigures]
    reads: dict[str, Read]
    evaporates: dict[str, InBand]
    bounds: BoundsForm | None


def as_dict(results: Sequence[Result], bounds: Bounds | None = None) -> Capability:
    """The fixed JSON form; a figure that these nights do not give is null."""
    usual = [r for r in results if not r.hard]
    seen = [r for r in usual if r.leak_g_per_day > 0 and r.way == Way.GATES and r.leaking]
    return {
        "schema": SCHEMA,
        "false_alarm": _false_alarm(results),
        "detection": _detection(usual, (Way.GATES, Way.MASS_ONLY)),
        "smallest_leak_95_g_per_day": {way.value: smallest_at(results, way) for way in Way},
        "sd_over_bound": rounded(sd_over_bound(results), 4),
        "carb_right": _share(r.carb_right for r in seen),
        "cause_right": _evenly(seen, lambda r: among(r.isolated, 1)),
        "seconds_per_night": rounded(mean_seconds(results), 4),
        "detection_after_blank": _detection(usual, (Way.AFTER_BLANK,)),
        "causes": _causes(seen),
        "tight_true": _tight_true(results),
        "hard": {
            "false_alarm": _false_alarm([r for r in results if r.hard]),
            "detection": _detection([r for r in results if r.hard], tuple(Way)),
        },
        "woken": share_of([r for r in results if r.leak_g_per_day == 0], woken),
        "by_owner": by_owner(results),
        "reads": {"usual": _reads(usual), "hard": _reads([r for r in results if r.hard])},
        "evaporates": {
            "usual": _evaporates(usual),
            "hard": _evaporates([r for r in results if r.hard]),
        },
        "bounds": None if bounds is None else _bounds(bounds),
    }


def _bounds(bounds: Bounds) -> BoundsForm:
    return {
        "nights": bounds.nights,
        "world_g_per_day": rounded(bounds.world_g_per_day, 4),
        "world_error_g_per_day": rounded(bounds.world_error_g_per_day, 4),
        "model_g_per_day": rounded(bounds.model_g_per_day, 4),
        "smallest_leak_g_per_day": rounded(bounds.smallest_g_per_day, 4),
    }


def _reads(results: Iterable[Result]) -> Read:
    """Of tight nights: share of all readings, and last readings, inside the band drawn for them."""
    reads = [r.reads for r in results if r.leak_g_per_day == 0 and r.reads is not None]
    inside, all_of_them, ends = (
        (sum(column) for column in zip(*reads, strict=True)) if reads else (0, 0, 0)
    )
    return {
        "nights": len(reads),
        "inside": rounded(inside / all_of_them, 4) if all_of_them else None,
        "last_inside": ends,
    }


def _evaporates(results: Iterable[Result]) -> InBand:
    """Of tight nights: how often the true evaporation was inside its band."""
    held = [in_band(r) for r in results if r.leak_g_per_day == 0 and r.evaporated is not None]
    least = rounded_down(lower_share(sum(held), len(held)), 4) if held else None
    return {"nights": len(held), "inside": sum(held), "lower95": least}


def _false_alarm(results: Iterable[Result]) -> FalseAlarm:
    tight = [r for r in results if r.leak_g_per_day == 0]
    leaking = sum(r.leaking for r in tight)
    return {
        "nights": len(tight),
        "leaking": leaking,
        "upper95": rounded_up(upper_share(leaking, len(tight)), 4),
    }


def _detection(results: Sequence[Result], ways: Sequence[Way]) -> list[Detection]:
    return [
        {
            "leak_g_per_day": leak,
            "gates": way is Way.GATES,
            "nights": len(mine),
            "found": sum(r.leaking for r in mine),
            "median_delay_s": rounded(middle_delay(mine), 0),
        }
        for way in ways
        for leak in LEAKS_G_PER_DAY[way]
        if (mine := of(results, way, leak))
    ]


def _tight_true(results: Iterable[Result]) -> float | None:
    """Share of the verdicts `tight` on nights that leak no more than the criterion."""
    return _share(r.leak_g_per_day <= CRITERION_G_PER_DAY for r in results if r.outcome == "tight")


def _causes(seen: Sequence[Result]) -> dict[str, float | None]:
    """Cause right first, and among the first two: once the feed was shut, and without."""
    return {
        "top_two_right": _evenly(seen, lambda r: among(r.isolated, 2)),
        "right_without_isolating": _evenly(seen, lambda r: among(r.suspects, 1)),
        "top_two_without_isolating": _evenly(seen, lambda r: among(r.suspects, 2)),
    }


def _evenly(seen: Iterable[Result], right: Callable[[Result], bool]) -> float | None:
    """Share right of the isolated nights, every size of leak counting alike.

    How sure a cause is hangs on how much of the leak there was to see: a plan with many nights of
    its smallest leak must not hide what is known of the others.
    """
    by_leak: dict[float, list[bool]] = {}
    for result in seen:
        if result.isolated is not None:
            by_leak.setdefault(result.leak_g_per_day, []).append(right(result))
    shares = [sum(outcomes) / len(outcomes) for outcomes in by_leak.values()]
    return rounded(math.fsum(shares) / len(shares), 4) if shares else None


def among(suspects: list[list[float]] | None, first: int) -> bool:
    """Whether the cause is among the first so many suspects."""
    return any(right for _, right in (suspects or [])[:first])


def of(results: Iterable[Result], way: Way, leak_g_per_day: float) -> list[Result]:
    """The nights of one leak known in one way."""
    return [r for r in results if r.way == way and r.leak_g_per_day == leak_g_per_day]


def middle_delay(results: Iterable[Result]) -> float | None:
    """Median delay of the alarms on nights that were found, s."""
    delays = [r.delay_s for r in results if r.leaking and r.delay_s is not None]
    return median(delays) if delays else None


def mean_seconds(results: Sequence[Result]) -> float | None:
    """Mean CPU time of deciding a night, s."""
    return math.fsum(r.seconds for r in results) / len(results) if results else None


def sd_over_bound(results: Iterable[Result]) -> float | None:
    """Root mean square of error over the bound of the model, night by night, no blank run."""
    ratios = [
        r.error_g_per_day / r.bound_g_per_day
        for r in results
        if r.error_g_per_day is not None and r.bound_g_per_day and r.way != Way.AFTER_BLANK
    ]
    return math.sqrt(math.fsum(x * x for x in ratios) / len(ratios)) if ratios else None


def _share(right: Iterable[bool]) -> float | None:
    values = list(right)
    return rounded(sum(values) / len(values), 4) if values else None
