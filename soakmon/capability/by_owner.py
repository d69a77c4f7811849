"""The measured capability by what the owner knows of the bench, each share with its 95 % limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from soakmon.capability.evaluate import Owner, Result, Way
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


def by_owner(results: Sequence[Result]) -> dict[str, Any]:
    """JSON types: each share as nights, number and both 95 % limits; P(no leak) by tenths."""
    return {
        owner: _figures([r for r in results if r.owner == owner]) for owner in owners_of(results)
    }


def _figures(mine: Sequence[Result]) -> dict[str, Any]:
    figures: dict[str, Any] = {
        name: share_of(nights(mine), asked) for name, _, nights, asked in _SHARES
    }
    figures["no_leak"] = [
        {"said": round(stated, 4), "nights": nights, "none": none}
        for stated, nights, none in calibration(mine)
    ]
    return figures


def share_of(nights: Sequence[Result], asked: Criterion) -> dict[str, Any]:
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
    owners = by_owner(results)
    return [
        (words, *(_cell(owners[owner][name]) for owner in owners)) for name, words, _, _ in _SHARES
    ]


def _cell(share: dict[str, Any]) -> str:
    if not share["nights"]:
        return "–"
    limits = f"{share['lower95']:.1%} to {share['upper95']:.1%}"
    return f"{share['number']} of {share['nights']} ({limits})"
