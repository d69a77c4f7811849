"""What many nights of blind benches show, each share with its 95 % limit."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence

from soakmon.capability.evaluate import Result
from soakmon.capability.plan import Way
from soakmon.capability.tables import lower_share, upper_share
from soakmon.watch.figures import percent_at_least, percent_at_most
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome

CRITERION_G_PER_DAY = Settings().criterion_g_per_day
_TENTHS = 10
_NEAR = 1.6
# The truth is noted about once a minute.
_NOTED_S = 60.0
_NEVER = (0.0, math.nan, math.nan)
Criterion = Callable[[Result], bool]


def tight(results: Iterable[Result]) -> list[Result]:
    """The nights without a leak."""
    return [r for r in results if not r.leak_g_per_day]


def says_leaking(result: Result) -> bool:
    """Whether the verdict is leaking."""
    return result.leaking


def woken(result: Result) -> bool:
    """Whether there was any alarm, taken back or not."""
    return result.woken


def proven(result: Result) -> bool:
    """Whether the verdict is tight."""
    return result.outcome == Outcome.TIGHT.value


def in_band(result: Result) -> bool:
    """Whether the true evaporation is inside the 95 % band."""
    true, low, high = result.evaporated or _NEVER
    return low <= true <= high


def in_interval(result: Result) -> bool:
    """Whether the true rate of the leak is inside its 95 % interval."""
    true, low, high = result.rate or _NEVER
    return low <= true <= high


def onset_in_bracket(result: Result) -> bool:
    """Whether the leak began within the bracket that is said."""
    true, low, high = result.onset or _NEVER
    return low - _NOTED_S <= true <= high + _NOTED_S


def at_most(name: str, nights: Sequence[Result], asked: Criterion) -> str:
    """How many of the nights, and how large the share may be."""
    number = sum(map(asked, nights))
    limit = percent_at_most(upper_share(number, len(nights)))
    return f"{name}: {number} of {len(nights)}{_percent(number, nights)}, at most {limit}"


def at_least(name: str, nights: Sequence[Result], asked: Criterion) -> str:
    """How many of the nights, and how small the share may be."""
    number = sum(map(asked, nights))
    limit = percent_at_least(lower_share(number, len(nights)))
    return f"{name}: {number} of {len(nights)}{_percent(number, nights)}, at least {limit}"


def between(name: str, nights: Sequence[Result], asked: Criterion) -> str:
    """How many of the nights, and both ends of where the share may be (two times 2.5 %)."""
    number = sum(map(asked, nights))
    low, high = (limit(number, len(nights), 0.975) for limit in (lower_share, upper_share))
    share = _percent(number, nights)
    within = f"between {percent_at_least(low)} and {percent_at_most(high)}"
    return f"{name}: {number} of {len(nights)}{share}, {within}"


def _percent(number: int, nights: Sequence[Result]) -> str:
    return f" ({number / len(nights):.1%})" if nights else ""


def lines(results: Sequence[Result]) -> Iterator[str]:
    """All that these nights tell, a line each."""
    dry = tight(results)
    leaks = [r for r in results if r.leak_g_per_day]
    yield at_most("tight, called leaking", dry, says_leaking)
    yield at_least("tight, proven tight", dry, proven)
    yield at_most("tight, somebody woken", dry, woken)
    for kind in sorted({r.kind for r in dry}):
        yield at_most(f"  {kind}", [r for r in dry if r.kind == kind], woken)
    begun = [r for r in results if r.evaporated is not None]
    yield between("evaporation inside its 95 % band", tight(begun), in_band)
    yield from _sides(tight(begun))
    large = [r for r in leaks if r.leak_g_per_day >= CRITERION_G_PER_DAY]
    yield at_most(
        f"leaks of {CRITERION_G_PER_DAY:g} g/day and more, called tight",
        large,
        proven,
    )
    for unseen, lost, leak in sorted({_what(r) for r in leaks}):
        mine = [r for r in leaks if _what(r) == (unseen, lost, leak)]
        where = "by mass alone" if unseen else "at a gate"
        where += f" that loses {lost:.0%}" if lost else ""
        yield at_least(f"{leak:g} g/day {where}, found", mine, says_leaking)
    near = [r for r in leaks if r.way != Way.GATES and near_stated(r)]
    yield at_least("leaks of 1.0 to 1.6 times the smallest stated, found", near, says_leaking)
    yield between("rate of leaks found inside its interval", list(filter(says_leaking, leaks)),
                  in_interval)  # fmt: skip
    dated = [r for r in leaks if says_leaking(r) and r.onset is not None]
    for unseen in (False, True):
        where = "by mass alone" if unseen else "at a gate"
        mine = [r for r in dated if (r.way != Way.GATES) == unseen]
        yield between(f"beginning of leaks {where} inside its bracket", mine, onset_in_bracket)
    yield from _calibration(results)
    seconds = sum(r.seconds for r in results) / max(len(results), 1)
    yield f"deciding a night takes {seconds:.2f} s of one core"


def _what(result: Result) -> tuple[bool, float, float]:
    """Whether no gate sees it, share of drops lost, leak in g/day."""
    return result.way != Way.GATES, result.lost, result.leak_g_per_day


def near_stated(result: Result) -> bool:
    """Whether the true leak is 1.0 to 1.6 times what was said to be the smallest provable one."""
    if not result.smallest_g_per_day or result.rate is None:
        return False
    return 1.0 <= 24 * result.rate[0] / result.smallest_g_per_day < _NEAR


def _sides(nights: Sequence[Result]) -> Iterator[str]:
    """On which side of the band the evaporation was that is outside."""
    pairs = [r.evaporated for r in nights if r.evaporated is not None]
    below = sum(true < low for true, low, _ in pairs)
    above = sum(true > high for true, _, high in pairs)
    yield f"  below it on {below}, above it on {above}"


def calibration(results: Sequence[Result]) -> list[tuple[float, int, int]]:
    """P(no leak) by tenths: mean said, nights, and how many of them had no leak."""
    rows = []
    for tenth in range(_TENTHS):
        mine = [r for r in results if r.no_leak is not None and _tenth(r.no_leak) == tenth]
        if mine:
            stated = math.fsum(r.no_leak or 0.0 for r in mine) / len(mine)
            rows.append((stated, len(mine), len(tight(mine))))
    return rows


def _tenth(share: float) -> int:
    return min(int(_TENTHS * share), _TENTHS - 1)


def _calibration(results: Sequence[Result]) -> Iterator[str]:
    yield "probability of no leak, in tenths: said, was (in this mix of nights)"
    for stated, nights, dry in calibration(results):
        low, high = (limit(dry, nights, 0.975) for limit in (lower_share, upper_share))
        within = f"between {percent_at_least(low)} and {percent_at_most(high)}"
        yield f"  {stated:.2f}: {dry} of {nights}, {within}"
