"""What many nights of blind benches show, each share with its 95 % limit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from soakmon.capability.benches import BenchResult
from soakmon.capability.tables import lower_share, upper_share
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome

CRITERION_G_PER_DAY = Settings().criterion_g_per_day
_TENTHS = 10
Asked = Callable[[BenchResult], bool]


def tight(results: Iterable[BenchResult]) -> list[BenchResult]:
    """The nights without a leak."""
    return [r for r in results if not r.leak_g_per_day]


def leaking(result: BenchResult) -> bool:
    """Whether the verdict is leaking."""
    return result.outcome == Outcome.LEAKING.value


def in_band(result: BenchResult) -> bool:
    """Whether the true evaporation is inside the 95 % band."""
    assert result.evaporated is not None
    true, low, high = result.evaporated
    return low <= true <= high


def in_interval(result: BenchResult) -> bool:
    """Whether the true rate of the leak is inside its 95 % interval."""
    true, low, high = result.leak
    return low <= true <= high


def at_most(name: str, nights: Sequence[BenchResult], asked: Asked) -> str:
    """How many of the nights, and how large the share may be."""
    found = sum(map(asked, nights))
    limit = upper_share(found, len(nights))
    return f"{name}: {found} of {len(nights)}{_percent(found, nights)}, at most {limit:.1%}"


def at_least(name: str, nights: Sequence[BenchResult], asked: Asked) -> str:
    """How many of the nights, and how small the share may be."""
    found = sum(map(asked, nights))
    limit = lower_share(found, len(nights))
    return f"{name}: {found} of {len(nights)}{_percent(found, nights)}, at least {limit:.1%}"


def between(name: str, nights: Sequence[BenchResult], asked: Asked) -> str:
    """How many of the nights, and both ends of where the share may be (two times 2.5 %)."""
    found = sum(map(asked, nights))
    low, high = (limit(found, len(nights), 0.975) for limit in (lower_share, upper_share))
    share = _percent(found, nights)
    return f"{name}: {found} of {len(nights)}{share}, between {low:.1%} and {high:.1%}"


def _percent(found: int, nights: Sequence[BenchResult]) -> str:
    return f" ({found / len(nights):.1%})" if nights else ""


def lines(results: Sequence[BenchResult]) -> Iterator[str]:
    """All that these nights tell, a line each."""
    dry = tight(results)
    leaks = [r for r in results if r.leak_g_per_day]
    yield at_most("tight, called leaking", dry, leaking)
    yield at_least("tight, proven tight", dry, lambda r: r.outcome == Outcome.TIGHT.value)
    yield at_most("tight, somebody woken", dry, lambda r: r.woken)
    for kind in sorted({r.kind for r in dry}):
        yield at_most(f"  {kind}", [r for r in dry if r.kind == kind], lambda r: r.woken)
    begun = [r for r in results if r.evaporated is not None]
    yield between("evaporation inside its 95 % band", tight(begun), in_band)
    yield from _sides(tight(begun))
    large = [r for r in leaks if r.leak_g_per_day >= CRITERION_G_PER_DAY]
    yield at_most(
        f"leaks of {CRITERION_G_PER_DAY:g} g/day and more, called tight",
        large,
        lambda r: r.outcome == Outcome.TIGHT.value,
    )
    for gates, lost, leak in sorted({(not r.gates, r.lost, r.leak_g_per_day) for r in leaks}):
        mine = [r for r in leaks if (not r.gates, r.lost, r.leak_g_per_day) == (gates, lost, leak)]
        where = "by mass alone" if gates else "at a gate"
        where += f" that loses {lost:.0%}" if lost else ""
        yield at_least(f"{leak:g} g/day {where}, found", mine, leaking)
    yield between("rate of leaks found inside its interval", list(filter(leaking, leaks)),
                  in_interval)  # fmt: skip
    yield from _calibration(results)
    seconds = sum(r.seconds for r in results) / max(len(results), 1)
    yield f"deciding a night takes {seconds:.2f} s of one core"


def _sides(nights: Sequence[BenchResult]) -> Iterator[str]:
    """On which side of the band the evaporation was that is outside."""
    pairs = [r.evaporated for r in nights if r.evaporated is not None]
    below = sum(true < low for true, low, _ in pairs)
    above = sum(true > high for true, _, high in pairs)
    yield f"  below it on {below}, above it on {above}"


def _calibration(results: Sequence[BenchResult]) -> Iterator[str]:
    """P(no leak) by tenths: what was said, and how often there was none in this mix of nights."""
    yield "probability of no leak, in tenths: said, was (in this mix of nights)"
    for tenth in range(_TENTHS):
        mine = [r for r in results if min(int(_TENTHS * r.no_leak), _TENTHS - 1) == tenth]
        if mine:
            said = sum(r.no_leak for r in mine) / len(mine)
            yield between(f"  {said:.2f}", mine, lambda r: not r.leak_g_per_day)
