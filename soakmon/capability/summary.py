"""The measured capability in words: a table of the leaks, and the other figures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from soakmon.capability.both_bounds import Bounds
from soakmon.capability.evaluate import Result
from soakmon.capability.form import (
    CRITERION_G_PER_DAY,
    InBand,
    Read,
    among,
    as_dict,
    middle_delay,
    of,
)
from soakmon.capability.plan import LEAKS_G_PER_DAY, Owner, Way
from soakmon.capability.tables import Errors, lower_share
from soakmon.watch.figures import percent_at_least

_FEWEST_ERRORS = 8
WAYS = {
    Way.GATES: "seen by a gate",
    Way.MASS_ONLY: "by mass alone",
    Way.AFTER_BLANK: "by mass alone after a blank run",
}


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
    right = [among(r.isolated, 1) for r in results if r.leaking and r.isolated is not None]
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


def _inside(reads: Read) -> str:
    if reads["inside"] is None:
        return "too few nights to say"
    ends = f"the last one on {reads['last_inside']} of {reads['nights']} nights"
    return f"{100 * reads['inside']:.1f} %, {ends}"


def _held(calibration: InBand) -> str:
    if calibration["lower95"] is None:
        return "too few nights to say"
    least = percent_at_least(calibration["lower95"])
    return f"{calibration['inside']} of {calibration['nights']} nights, at least {least}"


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
