"""The mass reading as a linear-Gaussian state model, and the likelihood of a leak in it.

A tight rack's reading is: start − evaporation × multiplier + zero shift with temperature + creep +
slack of the float needles + random walk of the cell + white noise. The multipliers and
coefficients are unknown with priors, so a Kalman filter carries them as states. What the bench's
noise really is cannot be known beforehand: a bank of filters runs side by side over several drift
strengths and prior widths, each weighted by how well it has predicted (multiple-model estimation).

A leak of rate L from onset j adds −L·u_j(t) to the reading, u_j the hours the feed was open since
the onset. The filter is linear, so the leak's signature in the innovations follows a recursion of
its own (Willsky & Jones 1976, from memory), and the log-likelihood ratio is A·L − B·L²/2.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.watch.rows import Floats
from soakmon.watch.state import kept

# State positions: offset (random walk), slack (needle sips, decays), evaporation multipliers of
# bottle-and-hose, of the bowls, and their tilt over the day, zero shift with temperature now and
# lagged by 20 and 60 minutes, creep of 10 and 60 minutes, and the share of the top-up that fuel in
# the bowls asks for when it shrinks with cold.
OFFSET, SLACK, FEED, BOWLS, TILT, TEMP, TEMP_20, TEMP_60, CREEP_10, CREEP_60, TOP_UP = range(11)
SIZE = 11
# A bowl is topped up in sips of 0.05 to 0.3 g, about once a day when nothing leaks: what the bowls
# are short of wanders by that much.
SLACK_H = 5.0
SLACK_SD_G = 0.17
SLACK_MEAN_G = 0.25
_TOP_UP, _TOP_UP_SD = 1.0, 0.3
# Variance of a walk's end less that of its mean over the step, in steps of the walk: a mean has a
# third of the step's own walk, and shares half of it with the end.
_AVERAGED = 2 / 3

# (drift in g/√h, sd of the slack in g, weight), for a cell whose minute averages scatter by 0.03 g
# or less. What the bowls are short of wanders too, but never far: where the cell itself wanders as
# much from minute to minute, that must not be put down to the bowls, or the drift is thought small.
# Nor can less drift than this be told from what the bowls are allowed: the readings would choose it
# for their calm between two sips, and promise too much.
_DRIFTS = (
    (0.03, SLACK_SD_G, 0.52),
    (0.06, SLACK_SD_G, 0.32),
    (0.18, 0.05, 0.06),
    (0.3, 0.05, 0.04),
    (0.5, 0.05, 0.03),
    (0.8, 0.05, 0.03),
)
# (widening of the temperature prior, of the evaporation prior): a model that is wrong by a factor
# must be able to explain a loss before a leak does.
_WIDENINGS = ((1.0, 1.0), (6.0, 1.0), (1.0, 5.0), (6.0, 5.0))
_DOUBT_OF_ZERO = 0.1
_NEGLIGIBLE = 16.0
BANK = len(_DRIFTS) * len(_WIDENINGS)


@kept
class MassFilter:
    """Bank of Kalman filters with leak signatures over J onsets.

    feed_rel_sd, bowls_rel_sd: prior sd of the evaporation multipliers; doubt: probability that they
    are much wider; zero_g_per_c: prior sd of the zero shift; onsets: J.
    """

    def __init__(
        self,
        feed_rel_sd: float,
        bowls_rel_sd: float,
        doubt: float,
        zero_g_per_c: float,
        onsets: int,
    ) -> None:
        drift = np.array([d for d, *_ in _DRIFTS])
        chance = [
            (_DOUBT_OF_ZERO if t > 1 else 1 - _DOUBT_OF_ZERO) * (doubt if e > 1 else 1 - doubt)
            for t, e in _WIDENINGS
        ]
        self.log_weight: Floats = np.log(np.outer([w for *_, w in _DRIFTS], chance).ravel())
        self.drift_g2_per_h: Floats = np.repeat((drift) ** 2, len(_WIDENINGS))
        temp, evap = (np.tile([w[i] for w in _WIDENINGS], len(_DRIFTS)) for i in (0, 1))
        sd = np.zeros((BANK, SIZE))
        sd[:, OFFSET] = 30.0
        sd[:, SLACK] = 0.02
        sd[:, TOP_UP] = _TOP_UP_SD
        sd[:, FEED] = feed_rel_sd * evap
        sd[:, BOWLS] = bowls_rel_sd * evap
        sd[:, TILT] = 0.15 * evap
        sd[:, TEMP] = sd[:, TEMP_20] = sd[:, TEMP_60] = 0.6 * zero_g_per_c * temp
        sd[:, CREEP_10], sd[:, CREEP_60] = 0.2, 0.2
        self.mean: Floats = np.zeros((BANK, SIZE))
        self.mean[:, TOP_UP] = _TOP_UP
        self.cov: Floats = np.zeros((BANK, SIZE, SIZE))
        self.cov[:, range(SIZE), range(SIZE)] = sd**2
        self.effect: Floats = np.zeros((BANK, SIZE, onsets))
        self.score: Floats = np.zeros((BANK, onsets))
        self.information: Floats = np.zeros((BANK, onsets))
        self.walk_g2: Floats = np.zeros(BANK)
        self.slack_sd_g: Floats = np.repeat([s for _, s, _ in _DRIFTS], len(_WIDENINGS))

    def coarsen(self, scale: float) -> None:
        """Before any reading: a cell so much coarser than a 1-2 kg one drifts as much more."""
        cell = [OFFSET, TEMP, TEMP_20, TEMP_60, CREEP_10, CREEP_60]
        self.cov[:, cell, cell] *= scale**2
        self.drift_g2_per_h = self.drift_g2_per_h * scale**2

    def keep(self, chosen: slice) -> None:
        """Before any reading: go on with these filters of the bank only."""
        for name, value in vars(self).items():
            setattr(self, name, value[chosen])

    @property
    def weights(self) -> Floats:
        """(BANK,) posterior weight of each filter of the bank under no leak."""
        shifted = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(shifted / shifted.sum())

    def predict(self, hours: float) -> None:
        """Let `hours` pass: the offset wanders, the slack decays."""
        keep = math.exp(-hours / SLACK_H)
        self.mean[:, SLACK] = SLACK_MEAN_G + keep * (self.mean[:, SLACK] - SLACK_MEAN_G)
        self.cov[:, SLACK, :] *= keep
        self.cov[:, :, SLACK] *= keep
        self.effect[:, SLACK, :] *= keep
        self.cov[:, SLACK, SLACK] += self.slack_sd_g**2 * (1 - keep**2)
        self.walk_g2 = self.drift_g2_per_h * hours
        self.cov[:, OFFSET, OFFSET] += self.walk_g2

    def loosen(self, state: int, step_g: float) -> None:
        """Tell the filter that a state has just jumped by about step_g."""
        self.cov[:, state, state] += step_g**2

    def sip(self) -> None:
        """A needle has opened: what the bowls are short of is anyone's guess again.

        The guess is bounded, so sips that go on carrying fuel away are not explained by it.
        """
        self.mean[:, SLACK] = SLACK_MEAN_G
        self.cov[:, SLACK, :] = 0.0
        self.cov[:, :, SLACK] = 0.0
        self.cov[:, SLACK, SLACK] = SLACK_SD_G**2
        self.effect[:, SLACK, :] = 0.0

    def surprise(self, row: Floats, reading_g: float, noise_g: float) -> tuple[float, float]:
        """Innovation (g) and its sd (g) of the filter that has predicted best so far."""
        best = int(np.argmax(self.log_weight))
        residual = reading_g - float(row @ self.mean[best])
        variance = row @ self.cov[best] @ row - _AVERAGED * self.walk_g2[best] + noise_g**2
        return residual, math.sqrt(variance)

    def update(self, row: Floats, reading_g: float, noise_g: float, exposure_h: Floats) -> None:
        """Take one averaged reading.

        row: (SIZE,) observation row; reading_g: reading with the best expectation of evaporation
        added back; noise_g: its white noise sd; exposure_h: (J,) hours of leaking per onset.
        """
        gain_raw = self.cov @ row
        variance = gain_raw @ row - _AVERAGED * self.walk_g2 + noise_g**2
        # The reading is the mean of its step: on average half of the step's walk was yet to come.
        gain_raw[:, OFFSET] -= 0.5 * self.walk_g2
        residual = reading_g - self.mean @ row
        gain = gain_raw / variance[:, None]
        pull = residual / variance
        self.log_weight -= 0.5 * (np.log(variance) + residual * pull)
        self.log_weight -= self.log_weight.max()
        # What the leak of 1 g/h would have left in the innovation, after what the states absorbed;
        # from onsets that lie ahead, nothing.
        begun = np.count_nonzero(exposure_h)
        effect = self.effect[:, :, :begun]
        signature = -exposure_h[:begun] - row @ effect
        self.score[:, :begun] += signature * pull[:, None]
        self.information[:, :begun] += signature**2 / variance[:, None]
        effect += gain[:, :, None] * signature[:, None, :]
        self.mean += gain * residual[:, None]
        self.cov -= gain[:, :, None] * gain_raw[:, None, :]
        # Readings that were held back come several at once: the last step's walk counts once.
        self.walk_g2 = np.zeros(len(variance))

    def log_ratio(self, leak_g_per_h: Floats, onsets: slice = slice(None)) -> Floats:
        """(J, R) log-likelihood ratio of a leak of each rate (R,) from each onset, against none."""
        score, information = self.score[:, onsets], self.information[:, onsets]
        ratio = np.zeros((score.shape[1], len(leak_g_per_h)))
        # A filter that no leak can make count is left out.
        gain = 0.5 * np.maximum(score, 0.0) ** 2 / (information + 1e-12)
        reach = self.log_weight + gain.max(axis=1)
        counts = reach > reach.max() - _NEGLIGIBLE
        # Against none: the filters that explain the readings without a leak count as well.
        counts |= self.log_weight > self.log_weight.max() - _NEGLIGIBLE
        score, information, weights = score[counts], information[counts], self.weights[counts]
        # Onsets that lie ahead have left nothing yet: their ratio is 1.
        live = information.any(axis=0)
        score, information = score[:, live, None], information[:, live, None]
        exponent = score * leak_g_per_h - 0.5 * information * leak_g_per_h**2
        exponent += np.log(weights + 1e-300)[:, None, None]
        top = exponent.max(axis=0)
        exponent -= top
        ratio[live] = top + np.log(np.exp(exponent, out=exponent).sum(axis=0))
        return ratio

    def weights_given(self, onset: int, leak_g_per_h: float) -> Floats:
        """(BANK,) posterior weight of each filter if there was a leak of this rate and onset."""
        ratio = self.score[:, onset] * leak_g_per_h
        ratio = ratio - 0.5 * self.information[:, onset] * leak_g_per_h**2
        total = self.log_weight + ratio
        shifted = np.exp(total - total.max())
        return np.asarray(shifted / shifted.sum())

    @property
    def top_up(self) -> tuple[float, float]:
        """Share of the expected top-up that this rack shows, and its sd."""
        weight = self.weights
        mean = float(weight @ self.mean[:, TOP_UP])
        variance = weight @ (self.cov[:, TOP_UP, TOP_UP] + (self.mean[:, TOP_UP] - mean) ** 2)
        return mean, math.sqrt(variance)

    def leak_by_filter(self, onset: int) -> tuple[Floats, Floats, Floats]:
        """Per filter of the bank: weight, and mean and sd (g/h) of a leak of any sign."""
        information = self.information[:, onset] + 1e-9
        return self.weights, self.score[:, onset] / information, information**-0.5
