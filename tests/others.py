"""Usual ways to notice a leak, each as a score that grows through the night.

They get what the decider gets, cleaned as a data engineer would clean it: bangs taken out of the
counts, robust minutes, jumps of the mass (refills, a bench that was pushed) levelled out, except
for the loss as read. What expects an evaporation stands here twice: on the loss, which is what
somebody without soakmon has; and lent soakmon's expectation, on what the loss is beyond it, which
tells how much of soakmon is the expectation and how much the deciding. Each was tried in several
forms on a few hundred nights, and stands here in the one that found the smallest leaks:
Page-Hinkley, ADWIN and the change point on the loss itself, not on its steps, since a leak from the
start changes no step; the local linear trend with fixed variances, since fitted ones find less (9
g/day on 70 % of the nights where the fixed find it on all) and take forty times as long. All from
the extra `benchmark`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import ruptures
from river.drift import ADWIN, PageHinkley
from sklearn.ensemble import IsolationForest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from soakmon.watch.averaging import Average, Averager
from soakmon.watch.decider import Decider
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.knock import without_knocks
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import Settings
from tests.comparison import DROPS, HOURS, LOSS, Score, lent

_DELTAS = 10.0 ** -np.arange(1, 40, 0.5)
# More in a minute than needles sip and the largest leak tried loses; or than the cell scatters.
_JUMP_G, _JUMP_SDS = 0.5, 8.0
_KEPT = 60


class Soak(NamedTuple):
    """A night as read: minutes of the soak, when it began, and each gate's drops since the fill."""

    averages: list[Average]
    before: list[Average]
    drop_s: list[Floats]


class Minutes(NamedTuple):
    """Time s; loss as read and levelled g; times of drops by gate, s."""

    t_s: Floats
    read_g: Floats
    loss_g: Floats
    drop_s: list[Floats]


def soak_of(rows: Rows, settings: Settings) -> Soak:
    """The soak from where the decider would begin it, found by its own finder of the fill."""
    rows, _ = without_knocks(rows, np.diff(rows.t_s, prepend=0.0))
    finder = Decider(settings, rows.gates).finder
    before: list[Average] = []
    soak: list[Average] = []
    for average in Averager().push(rows):
        phase = finder.step(average)
        if phase == Phase.FILLING:
            before, soak = before + soak, []
        begun = soak or (phase in {Phase.SOAKING, Phase.IDLE} and np.isfinite(average.mass_g))
        (soak if begun else before).append(average)
    counts = np.nan_to_num(rows.drops[rows.t_s >= finder.fill.started_s]).astype(int)
    t_s = rows.t_s[rows.t_s >= finder.fill.started_s]
    return Soak(soak, before, [np.repeat(t_s, column) for column in counts.T])


def minutes_of(soak: Soak, settings: Settings) -> tuple[Minutes, Minutes]:
    """The minutes, and the same less what these settings expect; missing ones are left out."""
    evaporation = Evaporation(settings)
    found, last_s = [], 0.0
    for average in [*soak.before, *soak.averages]:
        evaporation.step(average.t_s - last_s, average.air_c, average.fuel_c, average.feed_open)
        last_s = average.t_s
        if last_s >= soak.averages[0].t_s and np.isfinite(average.mass_g):
            found.append((last_s, average.mass_g, evaporation.total_g))
    t_s, mass, expected = np.array(found).T
    start_g = np.median(mass[:10])
    loss = start_g - levelled(mass)
    minutes = Minutes(t_s, start_g - mass, loss, soak.drop_s)
    return minutes, minutes._replace(loss_g=loss - (expected - expected[0]))


def levelled(mass_g: Floats) -> Floats:
    """The mass without its jumps: what follows one is moved to where the mass was before."""
    step = np.diff(mass_g, prepend=mass_g[0])
    middle = np.median(step)
    scatter = 1.4826 * np.median(np.abs(step - middle))
    jump = np.abs(step - middle) > max(_JUMP_G, _JUMP_SDS * scatter)
    return np.asarray(mass_g - np.cumsum(np.where(jump, step - middle, 0.0)))


def running(t_s: Floats, score: Floats) -> Score:
    """The highest score so far at no more than 60 of its rises, the first and the last among them.

    An alarm is late by that: minutes.
    """
    highest = np.maximum.accumulate(score)
    rises = np.flatnonzero(np.diff(highest, prepend=-np.inf) > 0)
    if len(rises) > _KEPT:
        rises = rises[np.linspace(0, len(rises) - 1, _KEPT).round().astype(int)]
    return Score(np.asarray(t_s)[rises].tolist(), highest[rises].tolist())


def _at_end(m: Minutes, score: float) -> Score:
    return Score([float(m.t_s[-1])], [float(score)])


def _means(values: Floats, minutes: int) -> Floats:
    return np.asarray(values[: len(values) // minutes * minutes].reshape(-1, minutes).mean(axis=1))


def loss_in_an_hour(m: Minutes) -> Score:
    smooth = np.convolve(m.loss_g, np.ones(5) / 5, mode="valid")
    return running(m.t_s[64:], smooth[60:] - smooth[:-60])


def loss_as_read(m: Minutes) -> Score:
    """Evening's reading less the morning's, whatever happened in between."""
    return _at_end(m, np.median(m.read_g[-30:]))


def loss_over_the_night(m: Minutes) -> Score:
    return _at_end(m, np.median(m.loss_g[-30:]))


def drops_at_a_gate(m: Minutes) -> Score:
    """Most drops so far at one gate."""
    times = np.concatenate([[m.t_s[0]], *m.drop_s])
    counts = np.concatenate([[0], *(np.arange(1, len(gate) + 1) for gate in m.drop_s)])
    order = np.argsort(times, kind="stable")
    return running(times[order], counts[order])


def hours_with_drops(m: Minutes) -> Score:
    """Most hours so far with a drop at one gate: what a burst of false counts does not raise."""
    firsts = [gate[np.unique(gate // 3600, return_index=True)[1]] for gate in m.drop_s]
    return drops_at_a_gate(m._replace(drop_s=firsts))


def page_hinkley(m: Minutes) -> Score:
    """Shift upward of the loss; the statistic, so every threshold at once."""
    test = PageHinkley(min_instances=60, delta=0.05, threshold=math.inf, mode="up")
    score = []
    for value in m.loss_g.tolist():
        test.update(value)
        score.append(test._sum_increase - test._min_increase)
    return running(m.t_s[60:], np.array(score[60:]))


def adwin(m: Minutes) -> Score:
    """Rise of the loss in ten minutes, over falling confidences."""
    values, t_s = _means(m.loss_g, 10), m.t_s[9::10]
    times, scores = [float(t_s[0])], [-1.0]
    for rank, delta in enumerate(_DELTAS.tolist()):
        found = _rise(ADWIN(delta=delta, clock=1, min_window_length=3, grace_period=6), values)
        if found is None:
            break
        times.append(float(t_s[found]))
        scores.append(float(rank))
    order = np.argsort(times, kind="stable")
    return running(np.array(times)[order], np.array(scores)[order])


def _rise(test: ADWIN, values: Floats) -> int | None:
    for index, value in enumerate(values.tolist()):
        before = test.estimation
        test.update(value)
        if test.drift_detected and test.estimation > before:
            return index
    return None


def change_point(m: Minutes) -> Score:
    """Offline: by how much the loss is higher after its best break."""
    signal = _means(m.loss_g, 10)
    at = ruptures.Binseg(model="l2", min_size=6, jump=1).fit(signal).predict(n_bkps=1)[0]
    return _at_end(m, signal[at:].mean() - signal[:at].mean())


def local_linear_trend(m: Minutes) -> Score:
    """Structural time series: the slope at the end over its standard error."""
    state = UnobservedComponents(_means(m.loss_g, 15), level="lltrend").smooth([1e-4, 1e-4, 1e-8])
    slope, variance = state.smoothed_state[1, -1], state.smoothed_state_cov[1, 1, -1]
    return _at_end(m, slope / np.sqrt(variance))


def hours_of(m: Minutes) -> list[list[float]]:
    """By the hour: time s, loss in it and so far g, most drops at a gate and so far.

    Temperatures among them made the forest blind: a warm hour is rarer than a leak.
    """
    at = np.arange(0, len(m.t_s), 60)
    loss = m.loss_g[at]
    drops = np.array([np.searchsorted(gate, m.t_s[at], side="right") for gate in m.drop_s])
    in_hour = np.diff(drops, axis=1).max(axis=0)
    rows = (m.t_s[at][1:], np.diff(loss), loss[1:], in_hour, drops[:, 1:].max(axis=0))
    return np.round(np.column_stack(rows), 3).tolist()


class Forest:
    """Isolation forest over the hours of tight nights, drawn by their weights."""

    def __init__(self, tight: Sequence[list[list[float]]], weights: Sequence[float]) -> None:
        self.forest = IsolationForest(n_estimators=100, random_state=1)
        # As often as its weight says; of equal ones each once.
        along = (np.arange(len(tight)) + 0.5) / len(tight)
        drawn = np.searchsorted(np.cumsum(weights) / np.sum(weights), along)
        self.forest.fit(np.vstack([tight[night] for night in drawn])[:, 1:])

    def __call__(self, nights: Sequence[list[list[float]]]) -> list[Score]:
        """The scores of nights, all in one pass."""
        edges = np.cumsum([len(hours) for hours in nights])[:-1]
        scores = np.split(-self.forest.score_samples(np.vstack(nights)[:, 1:]), edges)
        return [running(np.array(hours)[:, 0], s) for hours, s in zip(nights, scores, strict=True)]


# On drops, or on a loss that no expectation betters.
PLAIN: dict[str, Callable[[Minutes], Score]] = {
    "loss in an hour": loss_in_an_hour,
    "loss as read": loss_as_read,
    DROPS: drops_at_a_gate,
    HOURS: hours_with_drops,
}
# On the loss, or on what it is beyond the expected.
OF_LOSS: dict[str, Callable[[Minutes], Score]] = {
    LOSS: loss_over_the_night,
    "Page-Hinkley": page_hinkley,
    "ADWIN": adwin,
    "change point": change_point,
    "local linear trend": local_linear_trend,
}


def scores_of(minutes: Minutes, beyond: Minutes) -> dict[str, Score]:
    """What every way says; beyond: the minutes less what is expected."""
    own = {name: score(minutes) for name, score in (PLAIN | OF_LOSS).items()}
    return own | {lent(name): score(beyond) for name, score in OF_LOSS.items()}
