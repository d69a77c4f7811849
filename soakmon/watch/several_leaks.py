"""Several leaks at once: which of them there are, and how they divide what the bottle lost."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from soakmon.physics.belief import judgement
from soakmon.physics.drops import BETWEEN_LIPS_LOG_SD
from soakmon.watch.balance import log_weight_since
from soakmon.watch.closing import Posterior, leak_given_leaking
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.normal import NORMAL_95
from soakmon.watch.record import RunRecord
from soakmon.watch.standing import fed_until_s
from soakmon.watch.verdict import Band
from soakmon.watch.weep import Weep

# Beside what gates see there is a leak unseen when so many times as much goes, and so much more
# (judgement).
_BESIDE = judgement(2.0, "times")
_BESIDE_G_PER_H = judgement(0.3, "g/h")
# What a place is said to drip is off from another by their lips, and by what their gates lose.
_LOST_LOG_SD = judgement(0.1, "log. sd")
_APART_LOG_SD = math.hypot(BETWEEN_LIPS_LOG_SD, _LOST_LOG_SD)


def explained(leaks: list[LocatedLeak]) -> list[LocatedLeak]:
    """One leak a place; none that no gate sees when those the gates see account for the loss."""
    by_carb: dict[int, LocatedLeak] = {}
    for leak in leaks:
        if leak.carb is not None:
            known = by_carb.setdefault(leak.carb, leak)
            if leak.leak.best > known.leak.best:
                by_carb[leak.carb] = leak
    seen = list(by_carb.values())
    if not seen:
        return sorted(leaks, key=lambda leak: -leak.leak.best)[:1]
    said = sum(_surely_there(leak) for leak in seen)
    unseen = [leak for leak in leaks if leak.carb is None]
    return seen + [leak for leak in unseen if leak.leak.low > _BESIDE * said + _BESIDE_G_PER_H]


def _surely_there(leak: LocatedLeak) -> float:
    """What surely leaves at a place that a gate sees, g/h.

    Of what the bottle had been losing for hours before the first drop, only what drops is known to
    leave there.
    """
    dripped = leak.dripped_g_per_h
    return dripped if leak.mass_led and dripped else max(dripped, leak.leak.low)


def besides(leaks: list[LocatedLeak]) -> bool:
    """Whether a leak that no gate sees was there before the drops of another place."""
    return any(leak.carb is None for leak in leaks) and any(leak.mass_led for leak in leaks)


def less_seen(leaks: list[LocatedLeak], fed_s: float) -> list[LocatedLeak]:
    """The leaks; one that no gate sees without what leaves where gates see it."""
    seen_g = sum(leak.leak.best * _leaked_h(leak, fed_s) for leak in leaks if leak.carb is not None)
    return [
        leak
        if leak.carb is not None
        else replace(leak, leak=_less(leak.leak, seen_g / _leaked_h(leak, fed_s)))
        for leak in leaks
    ]


def _less(band: Band, g_per_h: float) -> Band:
    """The band of so much less; what is taken off is as unsure as the rest."""
    left = max(band.best - g_per_h, 0.0)
    return Band(left, max(band.low - g_per_h, 0.0), max(band.high - 0.5 * g_per_h, left))


def divided(record: RunRecord, weep: Weep, leaks: list[LocatedLeak]) -> list[LocatedLeak]:
    """The leaks, each with its share of what the bottle lost by what dropped under its gate.

    By itself each would be given all of the loss. A flood is known by the bottle as it is, and a
    leak that dripped once the feed was shut took nothing from it.
    """
    if not _share_the_loss(leaks):
        return leaks
    fed_s = fed_until_s(record, weep)
    first = min(leak.place for leak in leaks)
    hours = max((fed_s - float(weep.onset_s[first])) / 3600, 1 / 60)
    dripped_g = sum(leak.dripped_g_per_h * _leaked_h(leak, fed_s) for leak in leaks)
    # One equivalent drop stream: as many grams since the first began as all gates together.
    per_h = dripped_g / hours
    together = leak_given_leaking(log_weight_since(record, weep, first), 100.0, 100.0, per_h)
    return [replace(leak, leak=_scaled(weep, leak, fed_s, together, per_h)) for leak in leaks]


def _share_the_loss(leaks: list[LocatedLeak]) -> bool:
    flooded = any(leak.dripped_g_per_h > FLOODS_G_PER_H for leak in leaks)
    fed_drips = all(leak.dripped_g_per_h and not leak.unfed for leak in leaks)
    return len(leaks) > 1 and fed_drips and not flooded


def apart(leaks: list[LocatedLeak]) -> list[LocatedLeak]:
    """The leaks, each as unsure as it is how they divide what they lost together.

    A drop of one lip weighs more than one of another, and a gate loses more of them.
    """
    if not _share_the_loss(leaks):
        return leaks
    shares = np.array([leak.over_soak.best for leak in leaks])
    shares /= shares.sum()
    log_sds = _APART_LOG_SD * np.sqrt((1 - shares) ** 2 + (shares**2).sum() - shares**2)
    return [
        replace(leak, leak=_wider(leak.leak, log_sd))
        for leak, log_sd in zip(leaks, log_sds.tolist(), strict=True)
    ]


def _wider(band: Band, log_sd: float) -> Band:
    """The band with so much more doubt of its logarithm."""
    own = NORMAL_95 * log_sd
    less = math.hypot(math.log(band.best / max(band.low, 1e-3 * band.best)), own)
    more = math.hypot(math.log(band.high / band.best), own)
    return Band(band.best, band.best * math.exp(-less), band.best * math.exp(more))


def _leaked_h(leak: LocatedLeak, fed_s: float) -> float:
    """Hours for which it leaked, a drip from its first drop on."""
    until_s = fed_s if leak.until_s is None else leak.until_s
    return max(until_s - leak.onset_s, 60.0) / 3600


def _scaled(weep: Weep, leak: LocatedLeak, fed_s: float, together: Band, per_h: float) -> Band:
    """What dripped at one place, times what got out of all places over what dripped there.

    Its own few drops make it as much less sure.
    """
    drops = leak.dripped_g_per_h * _leaked_h(leak, fed_s) / weep.drop_g[(leak.carb or 1) - 1]
    times = leak.dripped_g_per_h / per_h
    shared = Band(together.best * times, together.low * times, together.high * times)
    return _wider(shared, 1 / math.sqrt(max(drops, 1.0)))


def total_leak(leaks: list[LocatedLeak], belief: Posterior) -> Band:
    """Leak of all places together, g/h: of those that stopped the mean over the soak."""
    if not leaks:
        return belief.leak
    over = [leak.over_soak for leak in leaks]
    if not any(leak.dripped_g_per_h for leak in leaks):
        return max(over, key=lambda band: band.best)
    return Band(
        sum(band.best for band in over),
        sum(band.low for band in over),
        sum(band.high for band in over),
    )
