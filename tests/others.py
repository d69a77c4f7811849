"""Usual ways to notice a leak, each as a score that grows through the night.

They get what the decider gets: minutes of mass, temperature and drops, and the expected loss. A
night is called leaking when its score passes the highest of the tight nights, so each way has the
same false-alarm rate: none in as many nights. All from the extra `benchmark`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import ruptures
from river.drift import ADWIN, PageHinkley
from sklearn.ensemble import IsolationForest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from soakmon.capability.evaluate import Night
from soakmon.watch.averaging import Averager
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.knock import without_knocks
from soakmon.watch.rows import Floats

_LEVELS_G = 0.02 * 2 ** (np.arange(28) / 2)
_DELTAS = 10.0 ** -np.arange(1, 25)


class Minutes(NamedTuple):
    """A soak by minutes: time s, loss and loss beyond the expected g, air °C, drops so far."""

    t_s: Floats
    loss_g: Floats
    beyond_g: Floats
    air_c: Floats
    drops: Floats


class Score(NamedTuple):
    """Running highest score at times s."""

    t_s: Floats
    score: Floats


def minutes_of(night: Night, soak_s: float) -> Minutes:
    """The soak as every way gets it; missing minutes keep the last value."""
    rows, _ = without_knocks(night.rows, np.diff(night.rows.t_s, prepend=0.0))
    evaporation = Evaporation(night.settings)
    found, last_s = [], 0.0
    for average in Averager().push(rows):
        evaporation.step(average.t_s - last_s, average.air_c, average.fuel_c, average.feed_open)
        last_s = average.t_s
        if average.t_s >= soak_s and np.isfinite(average.mass_g):
            found.append((last_s, average.mass_g, evaporation.total_g, evaporation.air_c))
    t_s, mass, expected, air = np.array(found).T
    counts = np.cumsum(np.nan_to_num(rows.drops), axis=0)
    drops = counts[np.searchsorted(rows.t_s, t_s)] - counts[np.searchsorted(rows.t_s, soak_s)]
    start = np.median(mass[:10])
    loss = start - mass
    return Minutes(t_s, loss, loss - (expected - expected[0]), air, drops)


def _running(t_s: Floats, score: Floats) -> Score:
    return Score(t_s, np.maximum.accumulate(score))


def loss_in_an_hour(m: Minutes) -> Score:
    smooth = np.convolve(m.loss_g, np.ones(5) / 5, mode="same")
    return _running(m.t_s[62:-2], smooth[62:-2] - smooth[2:-62])


def loss_over_the_night(m: Minutes) -> Score:
    return _running(m.t_s[-30:], np.full(30, float(np.median(m.loss_g[-30:]))))


def drops_at_a_gate(m: Minutes) -> Score:
    return _running(m.t_s, m.drops.max(axis=1))


def page_hinkley(m: Minutes) -> Score:
    """Mean shift upward of the loss beyond the expected per minute, over falling thresholds."""
    steps = np.diff(m.beyond_g, prepend=0.0)
    score = np.full(len(m.t_s), -1.0)
    for rank, level in enumerate(_LEVELS_G):
        test = PageHinkley(min_instances=60, delta=0.0005, threshold=level, mode="up")
        _mark(test, steps, score, rank)
    return _running(m.t_s, score)


def adwin(m: Minutes) -> Score:
    """Change of the loss beyond the expected in ten minutes, over falling confidences."""
    steps = np.diff(m.beyond_g[::10], prepend=0.0)
    score = np.full(len(steps), -1.0)
    for rank, delta in enumerate(_DELTAS):
        _mark(ADWIN(delta=delta, clock=1, min_window_length=3, grace_period=6), steps, score, rank)
    return _running(m.t_s[::10], score)


def _mark(test, values: Floats, score: Floats, rank: int) -> None:
    for index, value in enumerate(values.tolist()):
        test.update(value)
        if test.drift_detected:
            score[index:] = np.maximum(score[index:], rank)
            return


def change_point(m: Minutes) -> Score:
    """Offline: what one break of the line explains of the loss, if it turns steeper."""
    signal = m.beyond_g[: len(m.t_s) // 10 * 10].reshape(-1, 10).mean(axis=1)
    search = ruptures.Binseg(model="clinear", min_size=6, jump=3).fit(signal)
    at = search.predict(n_bkps=1)
    gain = search.cost.error(0, len(signal)) - search.cost.sum_of_costs(at)
    first, last = np.polyfit(np.arange(at[0]), signal[: at[0]], 1)[0], signal[-1] - signal[at[0]]
    steeper = last / max(len(signal) - at[0], 1) > first
    return Score(m.t_s[-1:], np.array([gain if steeper else 0.0]))


def local_linear_trend(m: Minutes) -> Score:
    """Structural time series: the slope at the end over its standard error."""
    signal = m.beyond_g[: len(m.t_s) // 15 * 15].reshape(-1, 15).mean(axis=1)
    model = UnobservedComponents(signal, level="lltrend")
    state = model.smooth([1e-4, 1e-4, 1e-6])
    slope, variance = state.smoothed_state[1, -1], state.smoothed_state_cov[1, 1, -1]
    return Score(m.t_s[-1:], np.array([float(slope / np.sqrt(variance))]))


class Forest:
    """Isolation forest over hours: loss, temperature, its change, most drops at a gate."""

    def __init__(self, tight: list[Minutes]) -> None:
        self.forest = IsolationForest(n_estimators=100, random_state=1)
        self.forest.fit(np.vstack([self._hours(m) for m in tight]))

    @staticmethod
    def _hours(m: Minutes) -> Floats:
        at = np.arange(0, len(m.t_s), 60)
        drops = np.diff(m.drops[at], axis=0).max(axis=1)
        air = m.air_c[at]
        return np.column_stack((np.diff(m.loss_g[at]), air[1:], np.diff(air), drops))

    def __call__(self, m: Minutes) -> Score:
        at = np.arange(0, len(m.t_s), 60)[1:]
        return _running(m.t_s[at], -self.forest.score_samples(self._hours(m)))


WAYS: dict[str, Callable[[Minutes], Score]] = {
    "loss in an hour": loss_in_an_hour,
    "loss over the night": loss_over_the_night,
    "drops at a gate": drops_at_a_gate,
    "Page-Hinkley": page_hinkley,
    "ADWIN": adwin,
    "change point": change_point,
    "local linear trend": local_linear_trend,
}
