"""How large a leak is, by what the bottle lost and the rack cannot have lost otherwise.

The mass filter supposes that a leak goes on evenly, and that what evaporates follows the weather as
the physics says. Real leaks jump, pause and follow their head: then its estimate is sure of itself
and wrong. The plain balance over the time since the leak began asks for none of that. Both are
witnesses of one loss, so each counts half; where they contradict each other the balance is
believed.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.cell_states import AT_START_G, CREEP
from soakmon.watch.normal import below
from soakmon.watch.onset import by_onset, likely_onsets
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats
from soakmon.watch.weep import LEAKS, Weep

# Leak rates at which a leak is estimated.
RATES: Floats = effort(np.asarray(0.002 * 2 ** (np.arange(800) / 40)), "g/h")
# A loss of such a chance on a tight bench is not told by its shape alone.
_USUAL = judgement(0.01, "chance")
_DRAWS = effort(2000, "draws")
# Benches that differ by less than this part of what the reading may be off are taken together.
_CELL_SDS = effort(1 / 16, "sd")
# What a cell wanders in a day (judgement).
_WANDERS_G = judgement(0.25, "g/√day")
# Where the balance gives the filter's best estimate less weight than this, it is not believed.
_CONTRADICTS = judgement(3.0, "e-folds")
# A loss that so many tight benches exceed is no leak by its shape alone.
_MORE_THAN_HALF = judgement(0.5, "chance")


def mass_log_weight(record: RunRecord, weep: Weep, onsets: Floats) -> Floats:
    """(800,) log-weight of a leak of each of `RATES` by the mass.

    onsets: (J,) log-weight of each onset, -inf: not then.
    """
    likely = likely_onsets(onsets)
    by_filter = np.logaddexp.reduce(
        [weep.filter.log_ratio(RATES, slice(onset, onset + 1))[0] for onset in likely]
    )
    by_filter -= by_filter.max()
    balances = [log_weight_since(record, weep, onset) for onset in likely]
    balance = np.logaddexp.reduce(balances)
    balance -= balance.max()
    if balance[int(by_filter.argmax())] < -_CONTRADICTS:
        return np.asarray(balance)
    return np.asarray(0.5 * (by_filter + balance))


def chance_of_so_much(record: RunRecord, weep: Weep, onset: int = 0) -> float:
    """Chance that a tight rack loses as much as the bottle did since an onset, by its place.

    It asks for no shape: a leak that comes and goes, which no even leak fits, shows in it.
    """
    left = _left(record, weep, onset)
    if left is None:
        return 1.0
    lost_g, weight, sd_g, _ = left
    return float(weight @ below(-lost_g / sd_g))


def chance_since_begun(record: RunRecord, weep: Weep, mass: Floats) -> float:
    """The same since the onset that the mass filter believes in most."""
    return chance_of_so_much(record, weep, int(np.argmax(by_onset(weep, mass))))


def usual(record: RunRecord, weep: Weep, mass: Floats) -> bool:
    """Whether one tight bench in a hundred has lost as much: then only the shape tells of a leak.

    Nobody is woken for that, and in the end the shape must be plain. Cells that creep, floats that
    soak and animals make such shapes.
    """
    return chance_since_begun(record, weep, mass) > _USUAL


def contradicts(record: RunRecord, weep: Weep, mass: Floats) -> bool:
    """Whether the bottle lost too little for the leak that the mass filter believes in.

    Where less has gone since it began than a tight rack is expected to lose, the shape of the
    record alone speaks for a leak, and that is what people, cats and cells make.
    """
    return chance_since_begun(record, weep, mass) > _MORE_THAN_HALF


def possible(record: RunRecord, weep: Weep, mass: Floats) -> Floats:
    """(J, R) the mass's log-ratios, without the leaks that the bottle cannot have fed.

    The filter may set a large leak off against a large drift of the cell with the temperature, or
    against next to no evaporation, which fit a restless record better than the plain truth does.
    """
    onset = int(np.argmax(by_onset(weep, mass)))
    by_rate = log_weight_since(record, weep, onset)
    likely = by_rate > by_rate.max() - _CONTRADICTS
    most_g = float(weep.exposure_h[onset] * RATES[likely].max())
    return np.where(weep.exposure_h[:, None] * LEAKS <= most_g, mass, -np.inf)


def log_weight_since(
    record: RunRecord, weep: Weep, onset: int, lasted_h: float = math.inf
) -> Floats:
    """(800,) log-weight of each rate by what was lost since the onset; lasted_h: then it ended."""
    left = _left(record, weep, onset)
    if left is None:
        return np.zeros(len(RATES))
    lost_g, weight, sd_g, hours = left
    lost_g, weight = gathered(lost_g, weight, _CELL_SDS * sd_g)
    off = (lost_g[:, None] - min(hours, lasted_h) * RATES) / sd_g
    return np.asarray(np.log(weight @ np.exp(-0.5 * off**2) + 1e-300))


def gathered(values: Floats, weight: Floats, width: float) -> tuple[Floats, Floats]:
    """(m,) means and weights of the values (n,) in each cell of that width that holds any."""
    cells = np.floor(values / width)
    _, place = np.unique(cells, return_inverse=True)
    whole: Floats = np.bincount(place, weight).astype(float)
    return np.bincount(place, weight * values) / np.maximum(whole, 1e-300), whole


def _left(record: RunRecord, weep: Weep, onset: int) -> tuple[Floats, Floats, float, float] | None:
    """What was lost since an onset beyond what each of many tight benches would have lost (g), the
    weights of these benches, how unsure the reading of it is (sd, g), and the hours for which the
    feed was open until the bottle was last weighed.
    """
    onset_s = float(weep.onset_s[onset])
    # What leaked since the bottle was last weighed has not been read.
    weighed_s = record.curve.weighed_s
    unread_h = float(np.interp(weighed_s, weep.onset_s, weep.exposure_h))
    unread_h = min(unread_h, max(record.last_s - weighed_s, 0.0) / 3600)
    hours = float(weep.exposure_h[onset]) - unread_h
    went = record.curve.since(onset_s)
    if hours <= 0 or went is None:
        return None
    lost_g, feed_g, bowls_g, top_up_g = went
    shown, weight = record.curve.spread.shown(_DRAWS)
    share, share_sd = record.curve.share, record.curve.top_up[1]
    evaporated_g = shown @ np.array([feed_g, bowls_g]) + share * top_up_g
    warmer_c = record.evaporation.air_c - weep.first_c
    zero_g = record.settings.priors.zero_g_per_c * warmer_c
    # A coarser cell strays, creeps and follows the temperature as much more.
    cell_g = weep.filter.scale * math.hypot(
        _WANDERS_G * math.sqrt(hours / 24), AT_START_G[CREEP], zero_g
    )
    strays_g = weep.filter.strays_g(hours)
    sd_g = math.hypot(strays_g, cell_g, weep.short_g, share_sd * top_up_g)
    return lost_g - evaporated_g, weight, sd_g, hours
