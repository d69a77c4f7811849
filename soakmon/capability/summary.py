"""The measured capability as a table, and as JSON in the form ``soakmon.capability/1``."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from statistics import median
from typing import Any

from soakmon.capability.both_bounds import Bounds
from soakmon.capability.by_owner import by_owner, share_of
from soakmon.capability.evaluate import LEAKS_G_PER_DAY, Owner, Result, Way, smallest_at
from soakmon.capability.shares import in_band, woken
from soakmon.capability.tables import Errors, lower_share, upper_share
from soakmon.watch.figures import percent_at_least, rounded, rounded_down, rounded_up
from soakmon.watch.settings import Settings

SCHEMA = "soakmon.capability/1"
CRITERION_G_PER_DAY = Settings().criterion_g_per_day
_FEWEST_ERRORS = 8
WAYS = {
    Way.GATES: "seen by a gate",
    Way.MASS_ONLY: "by mass alone",
    Way.AFTER_BLANK: "by mass alone after a blank run",
}


def as_dict(results: Sequence[Result], bounds: Bounds | None = None) -> dict[str, Any]:
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
        "cause_right": _evenly(seen, lambda r: _among(r.isolated, 1)),
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


def _bounds(bounds: Bounds) -> dict[str, Any]:
    """Least spread of a leak by mass on described benches, g/day: simulated world, own model."""
    return {
        "nights": bounds.nights,
        "world_g_per_day": rounded(bounds.world_g_per_day, 4),
        "world_error_g_per_day": rounded(bounds.world_error_g_per_day, 4),
        "model_g_per_day": rounded(bounds.model_g_per_day, 4),
        "smallest_leak_g_per_day": rounded(bounds.smallest_g_per_day, 4),
    }


def _reads(results: Iterable[Result]) -> dict[str, Any]:
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


def _evaporates(results: Iterable[Result]) -> dict[str, Any]:
    """Of tight nights: how often the true evaporation was inside its band."""
    held = [in_band(r) for r in results if r.leak_g_per_day == 0 and r.evaporated is not None]
    least = rounded_down(lower_share(sum(held), len(held)), 4) if held else None
    return {"nights": len(held), "inside": sum(held), "lower95": least}


def _false_alarm(results: Iterable[Result]) -> dict[str, Any]:
    tight = [r for r in results if r.leak_g_per_day == 0]
    leaking = sum(r.leaking for r in tight)
    return {
        "nights": len(tight),
        "leaking": leaking,
        "upper95": rounded_up(upper_share(leaking, len(tight)), 4),
    }


def _detection(results: Sequence[Result], ways: Sequence[Way]) -> list[dict[str, Any]]:
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
        "top_two_right": _evenly(seen, lambda r: _among(r.isolated, 2)),
        "right_without_isolating": _evenly(seen, lambda r: _among(r.suspects, 1)),
        "top_two_without_isolating": _evenly(seen, lambda r: _among(r.suspects, 2)),
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


def _among(suspects: list[list[float]] | None, first: int) -> bool:
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


def errors(results: Iterable[Result], *, blank: bool) -> Errors | None:
    """Errors of the estimate from mass alone, g/day; None from too few nights."""
    taken = [
        r.error_g_per_day
        for r in results
        if r.error_g_per_day is not None and (r.way == Way.AFTER_BLANK) is blank
    ]
    return Errors.of(taken) if len(taken) >= _FEWEST_ERRORS else None


HEADS = ("leak", "induced g/day", "found", "share, lower 95 %", "median delay", "right cause",
         "found, hard nights")  # fmt: skip


def detection_lines(results: Sequence[Result]) -> list[tuple[str, ...]]:
    """The columns `HEADS` of each induced leak; the cause is told with the feed shut."""
    usual, hard = ([r for r in results if r.hard is wanted] for wanted in (False, True))
    return [
        (
            WAYS[way],
            f"{leak:g}",
            _leaking_share(mine),
            percent_at_least(lower_share(sum(r.leaking for r in mine), len(mine)), 0),
            _duration(middle_delay(mine)),
            _cause(mine),
            _leaking_share(of(hard, way, leak)),
        )
        for way in Way
        for leak in LEAKS_G_PER_DAY[way]
        if (mine := of(usual, way, leak))
    ]


def _cause(results: Sequence[Result]) -> str:
    right = [_among(r.isolated, 1) for r in results if r.leaking and r.isolated is not None]
    return f"{sum(right)} of {len(right)}" if right else "–"


def _leaking_share(results: Sequence[Result]) -> str:
    return f"{sum(r.leaking for r in results)} of {len(results)}" if results else "–"


def error_lines(results: Sequence[Result]) -> list[str]:
    """Bias, spread and what follows from them for the mass alone, without and after a blank run."""
    lines = []
    for blank, name in ((False, "without a blank run"), (True, "after a blank run")):
        spread = errors(results, blank=blank)
        if spread is not None:
            lines.append(
                f"estimate from mass alone, {name}: {spread.n} nights, bias {spread.bias:+.2f} "
                f"({'' if spread.biased else 'not '}significant, t {spread.t_bias:.2f}), "
                f"sd {spread.sd:.2f}, threshold for 5 % {spread.threshold:.2f}, "
                f"smallest detectable {spread.smallest_leak:.2f} g/day"
            )
    return lines


def _blank_runs(results: Sequence[Result]) -> str:
    """How many could be believed, and how sure they were in the middle."""
    asked = [r for r in results if r.owner == Owner.BLANK or r.way == Way.AFTER_BLANK]
    sure = [r.blank_rel_sd for r in asked if r.blank_rel_sd is not None]
    text = f"{len(sure)} of {len(asked)}"
    return f"{text}, good to {100 * median(sure):.0f} % (median)" if sure else text


def facts(results: Sequence[Result], bounds: Bounds | None = None) -> list[tuple[str, str]]:
    """Name and value of each other figure, as text."""
    figures = as_dict(results)
    tight = [r for r in results if r.leak_g_per_day == 0]
    false, hard = figures["false_alarm"], figures["hard"]["false_alarm"]
    smallest = figures["smallest_leak_95_g_per_day"]
    proven = sum(r.outcome == "tight" for r in tight)
    above = [r for r in results if r.leak_g_per_day > CRITERION_G_PER_DAY]
    missed = sum(r.outcome == "tight" for r in above)
    return [
        ("Tight nights called leaking", f"{false['leaking']} of {false['nights']}, at most "
         f"{false['upper95']:.1%} with 95 % confidence"),
        ("Of these, hard nights called leaking", f"{hard['leaking']} of {hard['nights']}"),
        ("Tight nights with any alarm, even one withdrawn later",
         f"{figures['woken']['number']} of {figures['woken']['nights']}, at most "
         f"{figures['woken']['upper95']:.1%} with 95 % confidence"),
        ("Tight nights proven tight", f"{proven} of {len(tight)}"),
        (f"Leaks over {CRITERION_G_PER_DAY:g} g/day called tight", f"{missed} of {len(above)}"),
        *((f"Smallest leak found at 95 %, {name}", _grams(smallest[way.value]))
          for way, name in WAYS.items()),
        ("Usable blank runs, of those simulated", _blank_runs(results)),
        ("Spread of the estimate, as a multiple of its model's lower bound",
         _plain(figures["sd_over_bound"])),
        ("Lower bound on the spread of any linear estimate by mass, on benches as described",
         _least(bounds)),
        ("Right carburettor, of leaks found at gates", _percent(figures["carb_right"])),
        ("Right cause, of leaks found at gates, each size weighted equally, feed shut at the alarm",
         f"{_percent(figures['cause_right'])}, "
         f"first two {_percent(figures['causes']['top_two_right'])}"),
        ("Right cause with the feed left open",
         f"{_percent(figures['causes']['right_without_isolating'])}, first two "
         f"{_percent(figures['causes']['top_two_without_isolating'])}"),
        *((f"Readings of {name} tight nights inside the 95 % band drawn for them",
           _inside(figures["reads"][name])) for name in ("usual", "hard")),
        *((f"Evaporation of {name} tight nights inside its 95 % band",
           _held(figures["evaporates"][name])) for name in ("usual", "hard")),
        ("Deciding a night takes", f"{figures['seconds_per_night']} s of one core"),
    ]  # fmt: skip


def _least(bounds: Bounds | None) -> str:
    if bounds is None:
        return "too few nights to say"
    return (
        f"{bounds.world_g_per_day:.2f} ± {bounds.world_error_g_per_day:.2f} g/day in the simulated "
        f"world, {bounds.model_g_per_day:.2f} g/day in the filter's own model "
        f"({bounds.nights} nights); the smallest leak found at 95 % with 1 % of false alarms would "
        f"then be {bounds.smallest_g_per_day:.2f} g/day"
    )


def _inside(reads: dict[str, Any]) -> str:
    if reads["inside"] is None:
        return "too few nights to say"
    ends = f"the last one on {reads['last_inside']} of {reads['nights']} nights"
    return f"{100 * reads['inside']:.1f} %, {ends}"


def _held(calibration: dict[str, Any]) -> str:
    if not calibration["nights"]:
        return "too few nights to say"
    least = percent_at_least(calibration["lower95"])
    return f"{calibration['inside']} of {calibration['nights']} nights, at least {least}"


def _share(right: Iterable[bool]) -> float | None:
    values = list(right)
    return rounded(sum(values) / len(values), 4) if values else None


def _plain(value: float | None) -> str:
    return "too few nights to say" if value is None else f"{value:.2f}"


def _percent(value: float | None) -> str:
    return "too few nights to say" if value is None else f"{value:.0%}"


def _grams(value: float | None) -> str:
    return "not shown by these nights" if value is None else f"{value:g} g/day"


def _duration(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    if seconds < 0:
        # The mass told of a needle that still filled its bowl.
        return f"{_duration(-seconds)} before a drop"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
