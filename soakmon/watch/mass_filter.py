"""The mass reading as a linear-Gaussian state model, and the likelihood of a leak in it.

A tight rack's reading is: start − evaporation × factors + zero shift with temperature + warming up
and creep + a wander that comes back + slack of the float needles + random walk of the cell + white
noise. What the cell's noise really is cannot be known beforehand: a bank of Kalman filters runs
side by side over several kinds of cell, each weighted by how well it has predicted
(multiple-model estimation).

A leak of rate L from onset j adds −L·u_j(t) to the reading, u_j the hours the feed was open since
the onset; the evaporation adds −(factor−1) times the expectation of its part. The filters are
linear, so what such an input leaves in the innovations follows a recursion of its own (Willsky &
Jones 1976, from memory), and the log-likelihood is a quadratic form in leak and factors. So the
factors need not be normal: `slices` of them are integrated out when somebody asks (`judged`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from soakmon.physics.belief import effort, judgement, measured
from soakmon.watch.cell_states import (
    BANK,
    CELLS,
    CREEP,
    CREEP_60,
    DECAYS,
    HELD,
    HELD_SHARE,
    OFFSET,
    RATE,
    SIZE,
    SLACK,
    TEMP,
    TEMP_20,
    TEMP_60,
    TEMP_180,
    TOP_UP,
    TOP_UP_SHARE,
    WANDER,
    WARM_UP,
    ZEROS,
    sd_at_start,
)
from soakmon.watch.rows import Floats
from soakmon.watch.spread import PARTS, Slices

_FADING = slice(SLACK, RATE + 1)
# What a bowl is short of begins with nothing; when it has lost as much as a usual sip it may be
# anywhere between two sips. It is forgotten a little even where nothing is lost (judgement).
_FORGETS_PER_H = judgement(0.025, "1/h")
# Variance of a walk's end less that of its mean over the step, in steps of the walk: a mean has a
# third of the step's own walk, and shares half of it with the end.
_AVERAGED = 2 / 3
# What a tight bench may lose more or less after some hour than its hours before let expect, g: the
# first sips of bowls that the fill left full, a hose that settles, a zero that followed the shop. A
# leak that begins later must have lost more than that (judgement; it was too little on one in five
# of independently simulated tight nights).
_KINK_G = measured(0.6, "g")
_LEAST_H = effort(0.01, "h")
# Filters this much less likely say nothing now, or never again.
_NEGLIGIBLE = effort(16.0, "e-folds")
_HOPELESS = effort(40.0, "e-folds")


class Judged(NamedTuple):
    """(M,) filters with the evaporation's factors integrated out, and what they say of a leak.

    log_weight: posterior under no leak, not normed; score, information: (M, J) by onset.
    """

    log_weight: Floats
    score: Floats
    information: Floats

    @property
    def weights(self) -> Floats:
        """(M,) posterior weight of each under no leak."""
        shifted = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(shifted / shifted.sum())


class MassFilter:
    """Bank of Kalman filters with signatures of the evaporation's parts and of J onsets of a leak.

    slices: beliefs about the evaporation; zero_g_per_c: prior sd of the zero shift; onsets: J;
    short_g: what all bowls are short of on average between two sips, and its sd; unsteady_rel_sd:
    how far the rate of evaporation strays for some hours, relative. temper: what the readings say
    of a leak counts for so much less (see `Fit`).
    """

    def __init__(
        self,
        slices: Slices,
        zero_g_per_c: float,
        onsets: int,
        *,
        short_g: tuple[float, float],
        unsteady_rel_sd: float,
    ) -> None:
        columns = (np.array(column) for column in zip(*CELLS, strict=True))
        drift, slack, wander, returns_h, chance = columns
        self.short_g, self.short_sd_g = short_g
        times = len(ZEROS)
        self.log_weight: Floats = np.log(np.outer(chance, [w for _, w in ZEROS]).ravel())
        self.drift_g2_per_h: Floats = np.repeat(drift**2, times)
        slack, wander = np.repeat(slack * self.short_sd_g, times), np.repeat(wander, times)
        self.swings_g2: Floats = np.zeros((BANK, SIZE))
        self.swings_g2[:, SLACK] = slack**2
        self.swings_g2[:, WANDER] = wander**2
        self.swings_g2[:, RATE] = unsteady_rel_sd**2
        self.fades_per_h: Floats = np.zeros((BANK, SIZE))
        for state, lasts_h in DECAYS.items():
            self.fades_per_h[:, state] = 1 / lasts_h
        self.fades_per_h[:, WANDER] = np.repeat(1 / returns_h, times)
        zero = zero_g_per_c * np.tile([factor for factor, _ in ZEROS], len(CELLS))
        self.mean: Floats = np.zeros((BANK, SIZE))
        self.mean[:, TOP_UP], self.mean[:, HELD] = TOP_UP_SHARE, HELD_SHARE
        self.cov: Floats = np.zeros((BANK, SIZE, SIZE))
        self.cov[:, range(SIZE), range(SIZE)] = sd_at_start(wander, zero, unsteady_rel_sd) ** 2
        # Of the parts of the evaporation first, then of the onsets.
        self.effect: Floats = np.zeros((BANK, SIZE, PARTS + onsets))
        self.score: Floats = np.zeros((BANK, PARTS + onsets))
        self.information: Floats = np.zeros((BANK, PARTS + onsets))
        self.shared: Floats = np.zeros((BANK, PARTS, PARTS + onsets))
        self.walk_g2: Floats = np.zeros(BANK)
        self.walks_g2: Floats = np.zeros((BANK, 2))
        self.temper = 1.0
        self.scale = 1.0
        self.exposed_h: Floats = np.zeros(onsets)
        self.begun = PARTS
        self.believe(slices)

    def believe(self, slices: Slices) -> None:
        """Take these beliefs about the evaporation."""
        precision = np.linalg.inv(slices.cov)
        pull = np.einsum("kpq,kq->kp", precision, slices.mean)
        constant = 0.5 * np.linalg.slogdet(precision)[1] + np.log(slices.weight)
        constant -= 0.5 * (slices.mean * pull).sum(axis=1)
        self.slice_precision: Floats = np.asarray(precision)
        self.slice_pull: Floats = np.asarray(pull)
        self.slice_log: Floats = np.asarray(constant)

    def coarsen(self, scale: float) -> None:
        """Before any reading: a cell so much coarser than a 1-2 kg one drifts as much more."""
        self.scale = scale
        cell = [OFFSET, WANDER, WARM_UP, CREEP, CREEP_60, TEMP, TEMP_20, TEMP_60, TEMP_180]
        self.cov[:, cell, cell] *= scale**2
        self.drift_g2_per_h = self.drift_g2_per_h * scale**2
        self.swings_g2[:, WANDER] *= scale**2

    def keep(self, chosen: slice | Floats) -> None:
        """Go on with these filters of the bank only."""
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray) and not name.startswith(("slice_", "exposed")):
                setattr(self, name, value[chosen])

    def prune(self) -> None:
        """Go on without the filters that no leak can make count again."""
        log_weight, score, information = self.judged()
        gain = 0.5 * np.maximum(score, 0.0) ** 2 / (information + 1e-12)
        reach = (log_weight + gain.max(axis=1)).reshape(len(self.log_weight), -1).max(axis=1)
        self.keep(np.asarray(reach > reach.max() - _HOPELESS))

    def predict(self, hours: float, evaporates_g: float = 0.0, drawn: float = 0.0) -> None:
        """Let `hours` pass, in which evaporates_g is expected to go.

        drawn: what the bowls have asked for in that time, over what they are short of on average.

        The offset wanders, what decays decays, and what the rate is off is lost on top.
        """
        self.mean[:, OFFSET] -= evaporates_g * self.mean[:, RATE]
        self.cov[:, OFFSET, :] -= evaporates_g * self.cov[:, RATE, :]
        self.cov[:, :, OFFSET] -= evaporates_g * self.cov[:, :, RATE]
        effect = self.effect[:, :, : self.begun]
        effect[:, OFFSET] -= evaporates_g * effect[:, RATE]
        keep = np.exp(-hours * self.fades_per_h)
        keep[:, SLACK] = math.exp(-drawn - hours * _FORGETS_PER_H)
        self.mean[:, SLACK] -= self.short_g
        self.mean *= keep
        self.mean[:, SLACK] += self.short_g
        fade = keep[:, _FADING, None]
        self.cov[:, _FADING, :] *= fade
        self.cov[:, :, _FADING] *= keep[:, None, _FADING]
        effect[:, _FADING] *= fade
        self.cov[:, range(SIZE), range(SIZE)] += self.swings_g2 * (1 - keep**2)
        # A wander that comes back walks as well, from one minute to the next.
        self.walks_g2[:, 0] = self.drift_g2_per_h * hours
        self.walks_g2[:, 1] = self.swings_g2[:, WANDER] * (1 - keep[:, WANDER] ** 2)
        self.walk_g2 = self.walks_g2.sum(axis=1)
        self.cov[:, OFFSET, OFFSET] += self.walks_g2[:, 0]

    def loosen(self, state: int, step_g: float) -> None:
        """Tell the filter that a state has just jumped by about step_g."""
        self.cov[:, state, state] += step_g**2

    def reopen(self, creep_g: float, warm_up_g: float) -> None:
        """The load has changed or the converter was off: the cell creeps and warms up anew."""
        self.loosen(CREEP, creep_g)
        self.loosen(CREEP_60, 0.5 * creep_g)
        self.loosen(WARM_UP, warm_up_g)

    def sip(self) -> None:
        """A needle has opened: what the bowls are short of is anyone's guess again.

        The guess is bounded, so sips that go on carrying fuel away are not explained by it.
        """
        self.mean[:, SLACK] = self.short_g
        self.cov[:, SLACK, :] = 0.0
        self.cov[:, :, SLACK] = 0.0
        self.cov[:, SLACK, SLACK] = self.short_sd_g**2
        self.effect[:, SLACK, :] = 0.0

    def surprise(
        self, row: Floats, reading_g: float, noise_g: float, inputs: Floats
    ) -> tuple[float, float]:
        """Innovation (g) and its sd (g) of the filter that has predicted best so far."""
        best, departs, cov = self._best()
        residual = reading_g - float(row @ self.mean[best])
        signature = inputs[:PARTS] - row @ self.effect[best, :, :PARTS]
        residual -= float(signature @ departs)
        variance = row @ self.cov[best] @ row - _AVERAGED * self.walk_g2[best] + noise_g**2
        return residual, math.sqrt(variance + signature @ cov @ signature)

    def _best(self) -> tuple[int, Floats, Floats]:
        """The likeliest filter of the bank, with mean and covariance of the factors less 1."""
        log_weight, departs, cov = self._integrated()
        best, piece = divmod(int(log_weight.argmax()), len(self.slice_log))
        return best, departs[best, piece], cov[best, piece]

    def _integrated(self) -> tuple[Floats, Floats, Floats]:
        """(N, K) log-weights, (N, K, 2) factors less 1 and their covariance, given no leak."""
        precision = self.shared[:, None, :, :PARTS] + self.slice_precision
        cov = _inverse(precision)
        pull = self.score[:, None, :PARTS] + self.slice_pull
        departs = np.einsum("nkpq,nkq->nkp", cov, pull)
        determinant = cov[..., 0, 0] * cov[..., 1, 1] - cov[..., 0, 1] ** 2
        evidence = 0.5 * ((pull * departs).sum(axis=-1) + np.log(determinant))
        return self.log_weight[:, None] + self.slice_log + evidence, departs, cov

    def update(self, row: Floats, reading_g: float, noise_g: float, inputs: Floats) -> None:
        """Take one averaged reading.

        row: (SIZE,) observation row; reading_g: reading with the best expectation of evaporation
        added back; noise_g: its white noise sd; inputs: (PARTS + J,) what a unit of each factor,
        and of a leak from each onset, adds to it, g.
        """
        gain_raw = self.cov @ row
        variance = gain_raw @ row - _AVERAGED * self.walk_g2 + noise_g**2
        # The reading is the mean of its step: on average half of the step's walk was yet to come.
        gain_raw[:, [OFFSET, WANDER]] -= 0.5 * self.walks_g2
        residual = reading_g - self.mean @ row
        gain = gain_raw / variance[:, None]
        pull = residual / variance
        self.log_weight -= 0.5 * (np.log(variance) + residual * pull)
        self.log_weight -= self.log_weight.max()
        # What a unit of each input would have left in the innovation, after what the states
        # absorbed; from onsets that lie ahead, nothing.
        self.exposed_h = -inputs[PARTS:]
        begun = self.begun = PARTS + int(np.count_nonzero(inputs[PARTS:]))
        effect = self.effect[:, :, :begun]
        signature = inputs[:begun] - row @ effect
        weighed = signature / variance[:, None]
        self.score[:, :begun] += signature * pull[:, None]
        self.information[:, :begun] += signature * weighed
        self.shared[:, :, :begun] += signature[:, :PARTS, None] * weighed[:, None, :]
        effect += gain[:, :, None] * signature[:, None, :]
        self.mean += gain * residual[:, None]
        self.cov -= gain[:, :, None] * gain_raw[:, None, :]
        # Readings that were held back come several at once: the last step's walk counts once.
        self.walk_g2 = np.zeros(len(variance))
        self.walks_g2 = np.zeros((len(variance), 2))

    def judged(self, onsets: slice = slice(None), *, kinks: bool = True) -> Judged:
        """What the filters say of a leak from some onsets, whatever the evaporation's factors.

        kinks: a tight bench may change its pace as well.
        """
        log_weight, departs, cov = self._integrated()
        score, information = (
            values[:, PARTS:][:, onsets] for values in (self.score, self.information)
        )
        shared = self.shared[:, :, PARTS:][:, :, onsets]
        one, other = shared[:, None, 0], shared[:, None, 1]
        scores = score[:, None] - departs[..., :1] * one - departs[..., 1:] * other
        taken = cov[..., 0, 0, None] * one**2 + cov[..., 1, 1, None] * other**2
        taken += 2 * cov[..., 0, 1, None] * one * other
        left = np.maximum(information[:, None] - taken, 0.0)
        kink = self._kink(onsets) if kinks else 0.0
        believed = 1 / (self.temper * (1 + left * kink / self.temper))
        merged = log_weight.size
        return Judged(
            log_weight.ravel() - log_weight.max(),
            (scores * believed).reshape(merged, -1),
            (left * believed).reshape(merged, -1),
        )

    def _kink(self, onsets: slice) -> Floats:
        """Variance (g/h)² by which a loss may change its pace without a leak, by onset."""
        pace = (_KINK_G / np.maximum(self.exposed_h, _LEAST_H)) ** 2
        # From the start there is no pace before it: the evaporation's own spread speaks for that.
        pace[0] = 0.0
        return np.asarray(pace[onsets])

    def log_ratio(
        self, leak_g_per_h: Floats, onsets: slice = slice(None), *, kinks: bool = True
    ) -> Floats:
        """(J, R) log-likelihood ratio of a leak of each rate (R,) from each onset, against none."""
        ratio = np.zeros((self.score[:, PARTS:][:, onsets].shape[1], len(leak_g_per_h)))
        first, behind, _ = onsets.indices(self.begun - PARTS)
        if behind <= first:
            return ratio
        judged = self.judged(slice(first, behind), kinks=kinks)
        log_weight, score, information = judged
        # A filter that no leak can make count is left out.
        gain = 0.5 * np.maximum(score, 0.0) ** 2 / (information + 1e-12)
        reach = log_weight + gain.max(axis=1)
        counts = reach > reach.max() - _NEGLIGIBLE
        # Against none: the filters that explain the readings without a leak count as well.
        counts |= log_weight > log_weight.max() - _NEGLIGIBLE
        score, information, weights = score[counts], information[counts], judged.weights[counts]
        # Onsets that lie ahead have left nothing yet: their ratio is 1.
        score, information = score[:, :, None], information[:, :, None]
        exponent = score * leak_g_per_h - 0.5 * information * leak_g_per_h**2
        exponent += np.log(weights + 1e-300)[:, None, None]
        top = exponent.max(axis=0)
        exponent -= top
        ratio[: behind - first] = top + np.log(np.exp(exponent, out=exponent).sum(axis=0))
        return ratio

    @property
    def top_up(self) -> tuple[float, float]:
        """Share of the expected top-up that this rack shows, and its sd."""
        return self._of_states([TOP_UP])

    @property
    def zero_g_per_c(self) -> tuple[float, float]:
        """Zero shift of the cell, now and lagged together, g/°C, and its sd."""
        return self._of_states([TEMP, TEMP_20, TEMP_60, TEMP_180])

    @property
    def drift_g_per_root_h(self) -> float:
        """What the cell drifts, as the bank believes without a leak."""
        return math.sqrt(float(self._believed @ self.drift_g2_per_h))

    @property
    def _believed(self) -> Floats:
        """(M,) weights, together 1, of the filters without a leak, each at its best factors."""
        log_weight = self._integrated()[0].max(axis=1)
        weight = np.exp(log_weight - log_weight.max())
        return np.asarray(weight / weight.sum())

    def _of_states(self, states: list[int]) -> tuple[float, float]:
        """Mean and sd of the sum of some states, whatever the evaporation's factors."""
        log_weight, departs, cov = self._integrated()
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        effect = self.effect[:, states, :PARTS].sum(axis=1)
        each = self.mean[:, states].sum(axis=1)[:, None] - np.einsum("np,nkp->nk", effect, departs)
        mean = float((weight * each).sum())
        own = self.cov[:, states][:, :, states].sum(axis=(1, 2))
        variance = own[:, None] + (each - mean) ** 2
        variance = variance + np.einsum("np,nkpq,nq->nk", effect, cov, effect)
        return mean, math.sqrt(float((weight * variance).sum()))

    def strays_g(self, hours: float) -> float:
        """Sd of what the cell wanders in so many hours, as the bank believes without a leak."""
        variance = self.drift_g2_per_h * hours + self.swings_g2[:, WANDER]
        return math.sqrt(float(self._believed @ variance))

    def leak_by_filter(self, onset: int) -> tuple[Floats, Floats, Floats]:
        """Per filter: weight under no leak, and mean and sd (g/h) of a leak of any sign."""
        judged = self.judged(slice(onset, onset + 1))
        information = judged.information[:, 0] + 1e-9
        return judged.weights, judged.score[:, 0] / information, information**-0.5


def _inverse(matrix: Floats) -> Floats:
    """Inverses of symmetric matrices (…, 2, 2)."""
    a, b, d = matrix[..., 0, 0], matrix[..., 0, 1], matrix[..., 1, 1]
    inverse = np.empty_like(matrix)
    inverse[..., 0, 0], inverse[..., 1, 1] = d, a
    inverse[..., 0, 1] = inverse[..., 1, 0] = -b
    return inverse / (a * d - b * b)[..., None, None]
