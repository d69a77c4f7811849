"""The drop gates: drops that form at the lips, and counts that are not drops."""

from __future__ import annotations

import math

import numpy as np

from sim.blend import Floats
from sim.scenario import Scenario

_FALLS = 0.62  # share of a hanging drop that falls, for lips of 1-2 mm
# Surface tension falls by 0.1 mN/m per °C, of 21 to 22: warm drops are lighter (memory, ±20 %).
_LIGHTER_PER_C = 0.0046
_MERGE_PER_S = 8.0  # faster, and drops become a stream that a gate cannot count


class Gates:
    """Counts drops per carb, call after call along a night."""

    def __init__(self, scenario: Scenario, knocks_s: Floats, seed: int) -> None:
        self.scenario = scenario
        # Two streams: how many drops fall must not change what else is counted.
        self.rng, self.drop_rng = (np.random.default_rng([seed, n]) for n in (4, 9))
        self.knocks_s = knocks_s
        bowls = scenario.geometry.bowls
        sigma = scenario.fuel.surface_tension_20c_n_per_m
        self.drop_g = [
            1e3 * 2 * math.pi * bowl.lip_radius_mm * 1e-3 * sigma * _FALLS / 9.81 for bowl in bowls
        ]
        spread = scenario.drops.between
        self.drop_g = [g * float(self.drop_rng.lognormal(0, spread)) for g in self.drop_g]
        self.lost_rng = np.random.default_rng([seed, 10])
        self.due_g = [self._next(gate) for gate in range(len(bowls))]
        self.last_s = 0.0
        # What has reached each lip, and the same counted in drops of 20 °C.
        self.at_lip_g: Floats = np.zeros(len(bowls))
        self.as_20c_g: Floats = np.zeros(len(bowls))
        sun_s = scenario.happenings.sun_s or (0.0, 0.0)
        bursts = np.random.default_rng([scenario.seed, int(sun_s[0])])
        self.flicker: Floats = bursts.gamma(0.25, 1.0, int(sun_s[1] / 60) + 2)

    def _next(self, gate: int) -> float:
        return self.drop_g[gate] * float(self.drop_rng.lognormal(0, self.scenario.drops.within))

    def read(self, t_s: Floats, at_lip_g: Floats, bowls_c: Floats) -> Floats:
        """Counts (n, N) since the previous time.

        at_lip_g (n, N): what reached each lip so far; bowls_c (n,): temperature there, °C.
        """
        spacing = np.diff(t_s, prepend=self.last_s)
        counts: Floats = np.zeros((len(t_s), len(self.due_g)))
        due = self._as_20c(at_lip_g, bowls_c)
        for gate in range(len(self.due_g)):
            counts[:, gate] = self._drops(gate, due[:, gate])
            counts[:, gate] = np.minimum(counts[:, gate], np.ceil(_MERGE_PER_S * spacing))
        counts += self.rng.poisson(
            np.broadcast_to(self.scenario.dark_per_h / 3600 * spacing[:, None], counts.shape)
        )
        self._knocked(t_s, counts)
        self._sun(t_s, spacing, counts)
        stuck = self.scenario.happenings.stuck_gate
        if stuck:
            counts[t_s >= self.scenario.happenings.stuck_s, stuck - 1] = np.nan
        self.last_s = float(t_s[-1])
        return counts

    def _as_20c(self, at_lip_g: Floats, bowls_c: Floats) -> Floats:
        """(n, N) what has reached each lip, in g that make as many drops at 20 °C."""
        more = np.diff(at_lip_g, axis=0, prepend=self.at_lip_g[None])
        more = more / (1 - _LIGHTER_PER_C * (bowls_c - 20.0))[:, None]
        due: Floats = self.as_20c_g + np.cumsum(more, axis=0)
        self.at_lip_g, self.as_20c_g = at_lip_g[-1].copy(), due[-1].copy()
        return due

    def _drops(self, gate: int, arrived_g: Floats) -> Floats:
        """Drops let go between the times: each when the lip cannot hold it any longer."""
        total = float(arrived_g[-1])
        falls: list[float] = []
        while self.due_g[gate] <= total:
            falls.append(self.due_g[gate])
            self.due_g[gate] += self._next(gate)
        lost = self.scenario.drops.lost
        if lost:
            falls = [at_g for at_g in falls if self.lost_rng.random() >= lost]
        rows = np.searchsorted(arrived_g, falls)
        return np.bincount(rows, minlength=len(arrived_g)).astype(np.float64)

    def _knocked(self, t_s: Floats, counts: Floats) -> None:
        """A bang shakes hanging drops and the beams: every gate counts at once."""
        for knock_s in self.knocks_s:
            row = int(np.searchsorted(t_s, knock_s))
            if row < len(t_s) and knock_s > self.last_s and counts.shape[1]:
                counts[row] += self.rng.integers(0, 2, counts.shape[1])
                counts[row, self.rng.permutation(counts.shape[1])[:2]] += 1

    def _sun(self, t_s: Floats, spacing: Floats, counts: Floats) -> None:
        """Leaves or clouds move before the sun: counts in bursts at one gate."""
        happenings = self.scenario.happenings
        if happenings.sun_s is None:
            return
        from_s, to_s = happenings.sun_s
        lit = (t_s >= from_s) & (t_s < to_s)
        minute = (t_s / 60).astype(int)
        rough = self.flicker[np.minimum(minute, len(self.flicker) - 1)]
        rate = np.where(lit, 60.0 / 3600 * rough * 4, 0.0)
        counts[:, happenings.sun_gate - 1] += self.rng.poisson(rate * spacing)
