"""The measured capability by what the owner knows of the bench, each share with its 95 % limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypedDict

from soakmon.capability.evaluate import Result
from soakmon.capability.plan import Owner, Way
from soakmon.capability.shares import (
    CRITERION_G_PER_DAY,
    Criterion,
    calibration,
    in_band,
    in_interval,
    near_stated,
    proven,
    says_leaking,
    tight,
    woken,
)
from soakmon.capability.tables import lower_share, upper_share
from soakmon.watch.figures import rounded_down, rounded_up


class ShareOf(TypedDict):
    """Of how many nights so many, and the limits of that share."""

    nights: int
    number: int
    lower95: float
    upper95: float


class NoLeak(TypedDict):
    """Nights whose stated P(no leak) was about so much, and on how many of them there was none."""

    said: float
    nights: int
    none: int


# The shares of the nights of one owner by name, and under `no_leak` how true P(no leak) was.
OwnerFigures = dict[str, ShareOf | list[NoLeak]]
Nights = Callable[[Sequence[Result]], list[Result]]


def _begun(results: Sequence[Result]) -> list[Result]:
    return [r for r in tight(results) if r.evaporated is not None]


def _leaking(results: Sequence[Result]) -> list[Result]:
    return [r for r in results if r.leak_g_per_day and r.leaking]


def _large(results: Sequence[Result]) -> list[Result]:
    return [r for r in results if r.leak_g_per_day >= CRITERION_G_PER_DAY]


def _near(results: Sequence[Result]) -> list[Result]:
    """Leaks that no gate sees, just above what was said to be the smallest provable one."""
    return [r for r in results if r.way != Way.GATES and r.leak_g_per_day and near_stated(r)]


# Name in JSON, in words, of which nights, and what is asked of each.
_SHARES: tuple[tuple[str, str, Nights, Criterion], ...] = (
    ("called_leaking", "tight, called leaking", tight, says_leaking),
    ("woken", "tight, somebody woken", tight, woken),
    ("evaporation_in_band", "evaporation inside its 95 % band", _begun, in_band),
    ("missed", f"leaks from {CRITERION_G_PER_DAY:g} g/day on called tight", _large, proven),
    ("rate_in_interval", "rate of found leaks inside its interval", _leaking, in_interval),
    ("found_near_smallest", "found, of 1.0 to 1.6 times the smallest stated", _near, says_leaking),
)


def owners_of(results: Sequence[Result]) -> list[str]:
    """Owners with nights, in their order."""
    there = {r.owner for r in results}
    return [owner.value for owner in Owner if owner.value in there]


def by_owner(results: Sequence[Result]) -> dict[str, OwnerFigures]:
    """JSON types: each share as nights, number and both 95 % limits; P(no leak) by tenths."""
    return {owner: _figures(_nights_of(results, owner)) for owner in owners_of(results)}


def _nights_of(results: Sequence[Result], owner: str) -> list[Result]:
    return [r for r in results if r.owner == owner]


def _figures(mine: Sequence[Result]) -> OwnerFigures:
    no_leak: list[NoLeak] = [
        {"said": round(stated, 4), "nights": nights, "none": none}
        for stated, nights, none in calibration(mine)
    ]
    return {**_shares(mine), "no_leak": no_leak}


def _shares(mine: Sequence[Result]) -> dict[str, ShareOf]:
    return {name: share_of(nights(mine), asked) for name, _, nights, asked in _SHARES}


def share_of(nights: Sequence[Result], asked: Criterion) -> ShareOf:
    """Of how many nights something was so, and between which limits its share lies."""
    number = sum(map(asked, nights))
    return {
        "nights": len(nights),
        "number": number,
        "lower95": rounded_down(lower_share(number, len(nights)), 4),
        "upper95": rounded_up(upper_share(number, len(nights)), 4),
    }


def owner_heads(results: Sequence[Result]) -> tuple[str, ...]:
    """Heads of `owner_lines`."""
    return ("figure", *owners_of(results))


def owner_lines(results: Sequence[Result]) -> list[tuple[str, ...]]:
    """A row for each share: number of nights, and the limits of the share."""
    owners = [_shares(_nights_of(results, owner)) for owner in owners_of(results)]
    return [(words, *(_cell(shares[name]) for shares in owners)) for name, words, _, _ in _SHARES]


def _cell(share: ShareOf) -> str:
    if not share["nights"]:
        return "–"
    limits = f"{share['lower95']:.1%} to {share['upper95']:.1%}"
    return f"{share['number']} of {share['nights']} ({limits})"
