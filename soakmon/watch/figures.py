"""Numbers as people read them: a limit is never rounded to the side where it would say too much."""

from __future__ import annotations

import math

from soakmon.physics.belief import judgement
from soakmon.texts import say

# From this rate on a leak is told by the minute; a bracket so short as one time; what began so soon
# has no beginning of its own.
BY_MINUTE_G_PER_H = judgement(60.0, "g/h")
SAME_TIME_S = judgement(720.0, "s")
SOON_S = judgement(120.0, "s")
# What rounding has left in the last bits is not a digit.
_NOISE = 1e-9


def plain(value: float, digits: int = 2) -> str:
    """A value with so many significant digits, never with an exponent: 0.012, 1.4, 240, 5800."""
    return written(value, places_of(value, digits))


def rate(g_per_h: float, digits: int = 2) -> str:
    """A leak as people compare them: weeps by the day, floods by the minute."""
    if g_per_h < BY_MINUTE_G_PER_H:
        return say("figures.g_day", digits=plain(24 * g_per_h, digits))
    return say("figures.g_min", digits=plain(g_per_h / 60, digits))


def elapsed(t_s: float) -> str:
    """Time since the start as hours and minutes: 5:07 h."""
    minutes = round(t_s / 60)
    return f"{minutes // 60}:{minutes % 60:02d} h"


def lasted(t_s: float) -> str:
    """How long something lasted: 25 min, or 2:10 h."""
    return say("figures.min", t_s=f"{t_s / 60:.0f}") if t_s < 6000 else elapsed(t_s)


def after_start(t_s: float) -> str:
    """A time of a run, which owns no clock; who does may put the hour in its place."""
    return say("figures.after_start", t_s=elapsed(t_s))


def began(low_s: float, high_s: float) -> str:
    """When something began that lies between two times: never surer than they are."""
    if low_s < SOON_S:
        return say("figures.before", high_s=after_start(high_s))
    if high_s - low_s < SAME_TIME_S:
        return say("figures.about", high_s=after_start((low_s + high_s) / 2))
    return say("figures.between", low_s=elapsed(low_s), high_s=after_start(high_s))


def at_most(value: float, digits: int = 2) -> str:
    """An upper limit, rounded up: of 2.049 with two digits 2.1."""
    return written(rounded_up(value, places_of(value, digits)), places_of(value, digits))


def at_least(value: float, digits: int = 2) -> str:
    """A lower limit, rounded down."""
    return written(rounded_down(value, places_of(value, digits)), places_of(value, digits))


def between(low: float, high: float, places: int) -> str:
    """An interval rounded outward, to so many decimals: 0.995 to 1.125 with two is 0.99 to 1.13."""
    least, most = rounded_down(low, places), rounded_up(high, places)
    return f"{written(least, places)} to {written(most, places)}"


def percent_at_most(share: float, places: int = 1) -> str:
    """An upper limit of a share in percent, rounded up."""
    return f"{rounded_up(100 * share, places):.{places}f}%"


def percent_at_least(share: float, places: int = 1) -> str:
    """A lower limit of a share in percent, rounded down."""
    return f"{rounded_down(100 * share, places):.{places}f}%"


def places_of(value: float, digits: int) -> int:
    """Decimals with which a value has so many significant digits; below 0: left of the point."""
    if value == 0 or not math.isfinite(value):
        return 0
    return digits - 1 - int(f"{value:.{digits - 1}e}".partition("e")[2])


def rounded(value: float | None, places: int) -> float | None:
    """To so many decimals, never -0; None where there is none, or NaN."""
    return None if value is None or math.isnan(value) else round(float(value), places) + 0.0


def rounded_up(value: float, places: int) -> float:
    """To so many decimals, never below the value."""
    if not math.isfinite(value):
        return value
    scaled = value * 10.0**places
    return math.ceil(scaled - _NOISE * max(abs(scaled), 1.0)) / 10.0**places + 0.0


def rounded_down(value: float, places: int) -> float:
    """To so many decimals, never above the value."""
    return -rounded_up(-value, places) + 0.0


def written(value: float, places: int) -> str:
    """With at most so many decimals, never with an exponent."""
    if not math.isfinite(value):
        return str(value)
    text = f"{round(value, places) + 0.0:.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
