"""The evidence of one drop gate: is what it counts fuel, or something else?

These stories compete over the times of the counts, as point processes:
- dark counts: Poisson at an unknown small rate, of which the other gates tell (see `dark`);
- flicker: minutes full of counts (sun, a loose lead; see `flicker`);
- clusters of any length (see `clusters`);
- something that keeps time but is heard by other gates too, or several times at once: a load that
  switches on and off;
- a load that is switched, of which the gate hears less than it would of drops;
- something fast that hardly keeps time: only the mass tells it from drops;
- a leak: dark until a first drop, then drops that keep time, more or less (see `renewal`).
In each of them a count may also be the company of others (see `company`).
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.watch.clusters import LASTS_S, Clusters
from soakmon.watch.company import Count, Near
from soakmon.watch.dark import MULTIPLES, log_weights
from soakmon.watch.flicker import STAYS, Flicker
from soakmon.watch.logs import log_sum
from soakmon.watch.renewal import Renewals
from soakmon.watch.rhythm import Rhythm
from soakmon.watch.row_renewal import RowRenewal
from soakmon.watch.rows import Floats
from soakmon.watch.widths import drop_likeness

# First drops are tried in cells of so long; waiting is looked at again after so long.
CELL_S = effort(900.0, "s")
_AGAIN_S = effort(1800.0, "s")
# How drops of a leak keep time, and how likely: closely, with drops lost, roughly, hardly, not.
_KEEP_TIME = judgement(
    (
        (40, 3, 0.02, 0.5),
        (40, 3, 0.35, 0.2),
        (8, 0, 0.03, 0.1),
        (8, 0, 0.3, 0.1),
        (3, 0, 0.15, 0.07),
        (1, 0, 0.0, 0.03),
    ),
    ("Erlang shape", "steps", "share", "weight"),
)
_RHYTHMS = tuple(Rhythm(shape, reach, lost) for shape, reach, lost, _ in _KEEP_TIME)
_LOG_WEIGHTS: Floats = np.log([weight for _, _, _, weight in _KEEP_TIME])
# What has counted so much is past doubt.
_MOST_EVENTS = effort(1500, "counts")
# Where rows hide when drops fell: how they keep time over the rows; of the rest rows tell nothing.
_KEEP_TIME_OVER_ROWS = judgement(
    ((20, 3, 0.02, 0.3), (20, 3, 0.35, 0.12), (8, 0, 0.15, 0.08)),
    ("Erlang shape", "steps", "share", "weight"),
)
_OVER_ROWS = tuple(
    (Rhythm(shape, reach, lost), weight) for shape, reach, lost, weight in _KEEP_TIME_OVER_ROWS
)
_NOT_OVER_ROWS = 1 - sum(weight for _, weight in _OVER_ROWS)
# Dark counts among drops, over those that are expected of any gate.
_DARK_AMONG_DROPS = judgement(2.0, "times")
# Chances of the stories without a leak beside dark counts. A story of chance p wakes people on no
# more than (share of the budget) / p of the nights on which it is true (Ville's inequality).
_FLICKER = judgement(0.1, "chance")
_CLUSTERS = judgement(0.06, "chance")
_LOG_DARK_ALONE = math.log(1 - _FLICKER - _CLUSTERS)
# A switched load: how many of its counts other gates hear too, and the chance of each.
# The last one chatters: so often it counts thrice at once, and drops with a satellite never should.
_HEARD: Floats = judgement(np.array([0.25, 0.65]), "chance")
_THRICE = judgement(0.35, "chance")
_DROPS_THRICE = judgement(0.01, "chance")
_SWITCHED: Floats = judgement(np.array([0.0015, 0.02, 0.005]), "chance")
_CYCLE_S = judgement((120.0, 3600.0), "s")
# A load of which the gate hears one switching in four: whoever counts drops loses less than half.
_FAINT = judgement(0.005, "chance")
_UNHEARD = judgement(0.75, "share")
_FAINTLY = Rhythm(40, 3, _UNHEARD)
# Something fast and rough: its chance, and how fast; the rhythms that are rough.
_ROUGH = judgement(0.02, "chance")
_FAST_S = judgement(300.0, "s")
_ROUGH_FROM = effort(4, "place")
# It is heard from early on, or begins some time of the day.
_SOON_S = judgement(3600.0, "s")
_DAY_S = judgement(86400.0, "s")
# Counts that company explains better than any rate of dark counts could.
_COMPANY_PER_S = judgement(1e-3, "1/s")
_ROUGH_SHARE = sum(weight for _, _, _, weight in _KEEP_TIME[_ROUGH_FROM:])


class GateEvidence:
    """Counts of one gate and the likelihood ratio of a leak, over drop rates (R,) per hour."""

    def __init__(self, rates_per_h: Floats, dark_per_h: float, start_s: float) -> None:
        self.rates: Floats = rates_per_h / 3600.0
        self.dark_per_h = dark_per_h
        self.dark: Floats = MULTIPLES * dark_per_h / 3600.0
        self.log_weight: Floats = log_weights([], dark_per_h, 0.0)
        self.start_s = start_s
        self.last_event_s = math.nan
        self.last_row_s = -math.inf
        self.count = 0
        self.full = False
        self.seen_count, self.seen_s = 0, start_s
        self.among_per_s = _DARK_AMONG_DROPS * dark_per_h / 3600.0
        # How well each rhythm explains the intervals since the first count.
        self.rhythms = Renewals(self.rates, _RHYTHMS)
        self.over_rows = [RowRenewal(self.rates, rhythm) for rhythm, _ in _OVER_ROWS]
        periods = 1 / self.rates
        self.cycles = (periods > _CYCLE_S[0]) & (periods < _CYCLE_S[1])
        self.faint = Renewals(self.rates[self.cycles], (_FAINTLY,))
        self.faint_at: list[Floats] = []
        # By dark rate: log-likelihood of the counts so far, without that there were no others.
        self.log_dark: Floats = np.zeros(len(self.dark))
        # First count of each onset cell: its time, `log_dark` of the counts before it, what else
        # explains those, what each rhythm said at it, and how well each switched load explained who
        # else had counted.
        self.cells: list[float] = []
        self.dark_before: list[Floats] = []
        self.others_before: list[float] = []
        self.rhythms_at: list[Floats] = []
        self.switched_at: list[Floats] = []
        self.switched: Floats = np.zeros(len(_SWITCHED))
        # How much like drops the counts were, by the time for which the beam was dark.
        self.likeness_at: list[float] = []
        self.likeness = 0.0
        self.log_company = 0.0
        self.flickers = [Flicker(start_s, stays, self.among_per_s) for stays in STAYS]
        self.clusters = [Clusters(start_s, lasts_s, self.among_per_s) for lasts_s in LASTS_S]

    def add(self, count: Count, near: Near) -> None:
        """Take a count, in its company."""
        # A gate that has counted so much is past doubt: its evidence stays as it stood then.
        if self.count >= _MOST_EVENTS:
            self.full = True
            return
        t_s, company_per_s = count.t_s, near.per_s
        log_stray = math.log(self.among_per_s + company_per_s)
        likeness = drop_likeness(count.dark_ms)
        self.rhythms.add(t_s, log_stray, log_drop=likeness, spacing_s=count.spacing_s)
        self.faint.add(t_s, log_stray, spacing_s=count.spacing_s)
        for over_rows in self.over_rows:
            over_rows.add(count, log_stray, likeness)
        opens = not self.cells or t_s - self.cells[-1] > CELL_S
        if opens and count.row_s > self.last_row_s:
            for over_rows in self.over_rows:
                over_rows.mark()
            self.cells.append(t_s)
            self.dark_before.append(self.log_dark)
            self.others_before.append(self._log_flickers_and_clusters(t_s))
            self.switched_at.append(self.switched)
            self.likeness_at.append(self.likeness)
            self.faint_at.append(self.faint.total[0])
            self.rhythms_at.append(self.rhythms.total - likeness)
        self.count += 1
        self.likeness += likeness
        self.last_event_s, self.last_row_s = t_s, count.row_s
        self.log_dark = self.log_dark + np.log(self.dark + company_per_s)
        self.switched = self.switched + np.append(near.heard(_HEARD), _chatter(near))
        for cluster in self.clusters:
            cluster.add(t_s, company_per_s)
        if near.others_per_s < _COMPANY_PER_S:
            for flicker in self.flickers:
                flicker.add(t_s)
        else:
            self.log_company += math.log(near.others_per_s)

    def has_news(self, t_s: float) -> bool:
        """Whether to look at it again: it has counted since it was last asked, or half an hour ago.

        Waiting makes a leak less likely, only slowly.
        """
        news = self.count > self.seen_count or (self.count and t_s - self.seen_s >= _AGAIN_S)
        if news:
            self.seen_count, self.seen_s = self.count, t_s
        return bool(news)

    def hears_of(self, others: list[int], t_s: float) -> None:
        """What the other gates have counted by t_s."""
        hours = max(t_s - self.start_s, 0.0) / 3600.0
        self.log_weight = log_weights(others, self.dark_per_h, hours)

    def log_no_leak(self, t_s: float) -> float:
        """Log-likelihood of everything so far without a leak, but for a switched load."""
        t_s = self.last_event_s if self.full else t_s
        dark = float(self._log_dark(self.log_dark, t_s)) + _LOG_DARK_ALONE
        return float(np.logaddexp(dark, self._log_flickers_and_clusters(t_s)))

    def _log_flickers_and_clusters(self, t_s: float) -> float:
        """The same of the stories in which more than dark counts comes."""
        each = math.log(_FLICKER / len(self.flickers))
        stories = [flicker.until(t_s) + self.log_company + each for flicker in self.flickers]
        each = math.log(_CLUSTERS / len(self.clusters))
        stories += [cluster.until(t_s) + each for cluster in self.clusters]
        return float(np.logaddexp.reduce(stories))

    def _log_dark(self, log_dark: Floats, t_s: float | Floats) -> Floats:
        """Log-likelihood of dark counts (…, D) and of no others up to t_s, over the dark rates."""
        seconds = np.maximum(np.asarray(t_s) - self.start_s, 0.0)
        return log_sum(self.log_weight + log_dark - self.dark * seconds[..., None], -1)

    def log_ratio(self, t_s: float, *, rough: bool = True) -> tuple[Floats, Floats]:
        """First-drop times (C,) s and log-likelihood ratios (C, R) of a leak starting to drip then.

        C is 0 while nothing was counted. The ratio is against all stories without a leak; rough:
        also against what is as fast and as rough as bad drips, which only the mass tells from them.
        """
        if not self.cells:
            return np.zeros(0), np.zeros((0, len(self.rates)))
        t_s = self.last_event_s if self.full else max(t_s, self.last_event_s)
        times = np.array(self.cells)
        # (H, C, R)
        since = self.rhythms.until(t_s)[:, None] - np.stack(self.rhythms_at, axis=1)
        since += _LOG_WEIGHTS[:, None, None]
        # Before its first drop a gate that drips has counted what any other counts: sun as well.
        dark = self._log_dark(np.array(self.dark_before), times) + _LOG_DARK_ALONE
        first = np.logaddexp(dark, self.others_before) - math.log(CELL_S)
        before = (first - self.among_per_s * (t_s - times))[:, None]
        # Rates of which a row holds a drop now and then may also drip evenly over the rows.
        others_share = np.log(np.where(self.over_rows[0].covers, _NOT_OVER_ROWS, 1.0))
        evenly = [
            over_rows.since(t_s) + math.log(weight)
            for over_rows, (_, weight) in zip(self.over_rows, _OVER_ROWS, strict=True)
        ]
        leak = np.logaddexp.reduce([np.logaddexp.reduce(since) + others_share, *evenly]) + before
        others = [self._log_switched(leak), self._log_faint(t_s, before)]
        if rough:
            others.append(self._log_rough(np.logaddexp.reduce(since[_ROUGH_FROM:]) + before))
        return times, leak - np.logaddexp.reduce([self.log_no_leak(t_s), *others])

    @property
    def _log_begins(self) -> Floats:
        """(C,) log-chance that something which is no leak begins in each onset cell."""
        since_s = np.array(self.cells) - self.start_s
        begins = 0.5 * np.exp(-since_s / _SOON_S) / _SOON_S + 0.5 / _DAY_S
        return np.asarray(np.log(begins * CELL_S))

    def _log_rough(self, rough: Floats) -> float:
        """Log-likelihood of something fast that hardly keeps time."""
        fast = rough[:, self.rates > 1 / _FAST_S]
        each = math.log(_ROUGH / _ROUGH_SHARE / fast.shape[1])
        # Nor does it look like drops.
        begins = self._log_begins + np.array(self.likeness_at) - self.likeness
        return float(log_sum(fast + begins[:, None] + each))

    def _log_faint(self, t_s: float, before: Floats) -> float:
        """Log-likelihood of a load of which most switchings are not heard."""
        faint = self.faint.until(t_s)[0] - np.array(self.faint_at) + before
        each = math.log(_FAINT / faint.shape[1])
        return float(log_sum(faint + self._log_begins[:, None] + each))

    def _log_switched(self, leak: Floats) -> float:
        """Log-likelihood of something that keeps time as a leak does, but is heard elsewhere."""
        heard = self.switched - np.array(self.switched_at) + np.log(_SWITCHED)
        cycles = leak[:, self.cycles]
        by_cell = log_sum(heard, -1) + self._log_begins - math.log(cycles.shape[1])
        # What keeps time without drops looks like none.
        by_cell += np.array(self.likeness_at) - self.likeness
        return float(log_sum(cycles + by_cell[:, None]))


def _chatter(near: Near) -> float:
    """Log of how much likelier a count's moment is of a load that chatters than of drops."""
    once = math.log((1 - _THRICE) / (1 - _DROPS_THRICE))
    if math.isfinite(near.chance):
        return once
    return math.log(_THRICE / _DROPS_THRICE) - once if near.third else 0.0
