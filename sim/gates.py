"""The drop gates: drops that form at the lips, and counts that are not drops."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim.blend import Floats
from sim.blips import NOTHING, Blips, draw_blips, merged
from sim.blocks import DARK_MS, FLICKER_MS, SHAKEN_MS, Beams, log_uniform
from sim.missing import Missing
from sim.scenario import Scenario

Places = NDArray[np.int64]

# Share of what a rim can hold that falls: theory has 0.62 for lips of 1 to 2 mm, and drops that
# were weighed are heavier, by a tenth (judgement; water less, ether and alcohol more).
_FALLS = 0.68
# Surface tension falls by 0.1 mN/m per °C, of 21 to 22: warm drops are lighter (memory, ±20 %).
_LIGHTER_PER_C = 0.0046
_MERGE_PER_S = 8.0  # faster, and drops become a stream that a gate cannot count
# A satellite is thrown up first and comes later than its drop by twice its speed over gravity.
_SATELLITE_LATE_S = (0.02, 0.06)
_LONGEST_NIGHT_H = 72.0
_BANG_S = 0.02


class Gates:
    """Counts drops per carb, call after call along a night.

    blips: what the last call counted, each with its length.
    """

    def __init__(self, scenario: Scenario, knocks_s: Floats, seed: int) -> None:
        self.scenario = scenario
        # Two streams: how many drops fall must not change what else is counted.
        self.rng, self.drop_rng = (np.random.default_rng([seed, n]) for n in (4, 9))
        self.block_rng = np.random.default_rng([seed, 13])
        self.knocks_s = knocks_s
        bowls = scenario.geometry.bowls
        sigma = scenario.fuel.surface_tension_20c_n_per_m
        self.drop_g = [
            1e3 * 2 * math.pi * bowl.lip_radius_mm * 1e-3 * sigma * _FALLS / 9.81 for bowl in bowls
        ]
        spread = scenario.drops.between
        self.drop_g = [g * float(self.drop_rng.lognormal(0, spread)) for g in self.drop_g]
        self.beams = Beams(self.drop_g, np.random.default_rng([seed, 14]))
        self.missing = Missing(scenario.misses, len(bowls), _LONGEST_NIGHT_H, seed)
        self.strangers = draw_blips(scenario.gates, len(bowls), _LONGEST_NIGHT_H, seed)
        self.surge_rng = np.random.default_rng([seed, 15])
        self.due_g = [self._next(gate) for gate in range(len(bowls))]
        self.last_s = 0.0
        # What has reached each lip, and the same counted in drops of 20 °C.
        self.at_lip_g: Floats = np.zeros(len(bowls))
        self.as_20c_g: Floats = np.zeros(len(bowls))
        sun_s = scenario.happenings.sun_s or (0.0, 0.0)
        bursts = np.random.default_rng([scenario.seed, int(sun_s[0])])
        self.flicker: Floats = bursts.gamma(0.25, 1.0, int(sun_s[1] / 60) + 2)
        self.blips = self.later = NOTHING

    def _next(self, gate: int) -> float:
        mass_g = self.drop_g[gate] * float(self.drop_rng.lognormal(0, self.scenario.drops.within))
        uneven = self.scenario.drops.uneven
        return mass_g * float(self.surge_rng.gamma(uneven**-2, uneven**2)) if uneven else mass_g

    def read(self, t_s: Floats, at_lip_g: Floats, bowls_c: Floats) -> Floats:
        """Counts (n, N) since the previous time.

        at_lip_g (n, N): what reached each lip so far; bowls_c (n,): temperature there, °C.
        """
        before_s = np.concatenate(([self.last_s], t_s[:-1]))
        spacing = t_s - before_s
        parts = [self._fallen(t_s, before_s, at_lip_g, bowls_c)]
        expected = self.scenario.dark_per_h / 3600 * spacing[:, None]
        dark = self.rng.poisson(np.broadcast_to(expected, (len(t_s), len(self.due_g))))
        parts.append(self._spread(dark, before_s, spacing, DARK_MS))
        parts.append(self._knocked(t_s))
        parts.append(self._spread(self._sun(t_s, spacing), before_s, spacing, FLICKER_MS))
        parts.append(self.strangers.between(self.last_s, float(t_s[-1])))
        stuck, from_s = self.scenario.happenings.stuck_gate, self.scenario.happenings.stuck_s
        self.blips = merged(parts)
        if stuck:
            self.blips = self.blips.without(stuck - 1, from_s)
        counts = self._counts(t_s)
        if stuck:
            counts[t_s >= from_s, stuck - 1] = np.nan
        self.last_s = float(t_s[-1])
        return counts

    def block_ms(self, t_s: Floats) -> Floats | None:
        """Of the last call: median length (n, N) of each row's counts, NaN without; None: off."""
        if not self.scenario.gates.widths:
            return None
        gates = len(self.due_g)
        lengths = np.full(len(t_s) * gates, np.nan)
        cell = self._cells(t_s)
        order = np.argsort(cell, kind="stable")
        places, starts = np.unique(cell[order], return_index=True)
        for place, part in zip(places, np.split(self.blips.ms[order], starts[1:]), strict=False):
            lengths[place] = np.median(part)
        return np.round(lengths.reshape(len(t_s), gates), 3)

    def _counts(self, t_s: Floats) -> Floats:
        gates = len(self.due_g)
        counted = np.bincount(self._cells(t_s), minlength=len(t_s) * gates)
        return counted.reshape(len(t_s), gates).astype(np.float64)

    def _cells(self, t_s: Floats) -> Places:
        """(k,) row times N plus gate of each blip."""
        rows = np.minimum(np.searchsorted(t_s, self.blips.t_s), len(t_s) - 1)
        return np.asarray(rows * len(self.due_g) + self.blips.gate.astype(np.int64))

    def _spread(
        self,
        counts: Floats | Places,
        before_s: Floats,
        spacing: Floats,
        limits_ms: tuple[float, float],
    ) -> Blips:
        """Counts (n, N) of rows as blips somewhere within their rows."""
        if not counts.any():
            return NOTHING
        rows, gates = np.nonzero(counts)
        often = counts[rows, gates].astype(int)
        rows, gates = np.repeat(rows, often), np.repeat(gates, often)
        part = 1 - self.block_rng.random(len(rows))
        lengths = log_uniform(limits_ms, len(rows), self.block_rng)
        return Blips(before_s[rows] + part * spacing[rows], gates.astype(float), lengths)

    def _fallen(self, t_s: Floats, before_s: Floats, at_lip_g: Floats, bowls_c: Floats) -> Blips:
        """Drops that fell and were seen, and their satellites."""
        due = self._as_20c(at_lip_g, bowls_c)
        parts: list[Blips] = []
        for gate in range(len(self.due_g)):
            rows = self._drops(gate, due[:, gate])
            if not len(rows):
                continue
            rows = _as_a_stream(rows, t_s - before_s)
            part = 1 - self.block_rng.random(len(rows))
            at_s = before_s[rows] + part * (t_s - before_s)[rows]
            at_s = at_s[~self.missing.missed(gate, at_s)]
            lengths = self.beams.drops(gate, len(at_s))
            parts.append(Blips(at_s, np.full(len(at_s), float(gate)), lengths))
            parts.append(self._satellites(gate, at_s))
        # What comes a little later than the last row belongs to the next call.
        fallen, until_s = merged([*parts, self.later]), float(t_s[-1])
        self.later = fallen.between(until_s, math.inf)
        return fallen.between(-math.inf, until_s)

    def _satellites(self, gate: int, at_s: Floats) -> Blips:
        share = self.scenario.gates.satellites
        behind = at_s[self.block_rng.random(len(at_s)) < share] if share else at_s[:0]
        late_s = self.block_rng.uniform(*_SATELLITE_LATE_S, len(behind))
        lengths = self.beams.satellites(gate, len(behind))
        return Blips(behind + late_s, np.full(len(behind), float(gate)), lengths)

    def _as_20c(self, at_lip_g: Floats, bowls_c: Floats) -> Floats:
        """(n, N) what has reached each lip, in g that make as many drops at 20 °C."""
        more = np.diff(at_lip_g, axis=0, prepend=self.at_lip_g[None])
        more = more / (1 - _LIGHTER_PER_C * (bowls_c - 20.0))[:, None]
        due: Floats = self.as_20c_g + np.cumsum(more, axis=0)
        self.at_lip_g, self.as_20c_g = at_lip_g[-1].copy(), due[-1].copy()
        return due

    def _drops(self, gate: int, arrived_g: Floats) -> Places:
        """Rows of drops let go between the times: each when the lip cannot hold it any longer."""
        total = float(arrived_g[-1])
        falls: list[float] = []
        while self.due_g[gate] <= total:
            falls.append(self.due_g[gate])
            self.due_g[gate] += self._next(gate)
        return np.asarray(np.searchsorted(arrived_g, falls))

    def _knocked(self, t_s: Floats) -> Blips:
        """A bang shakes hanging drops and the beams: every gate counts at once."""
        gates = len(self.due_g)
        parts: list[Blips] = []
        for knock_s in self.knocks_s:
            row = int(np.searchsorted(t_s, knock_s))
            if row < len(t_s) and knock_s > self.last_s and gates:
                counts = self.rng.integers(0, 2, gates)
                counts[self.rng.permutation(gates)[:2]] += 1
                at = np.repeat(np.arange(gates, dtype=float), counts)
                late_s = self.block_rng.uniform(0, _BANG_S, len(at))
                at_s = np.minimum(knock_s + late_s, t_s[row])
                parts.append(Blips(at_s, at, log_uniform(SHAKEN_MS, len(at), self.block_rng)))
        return merged(parts)

    def _sun(self, t_s: Floats, spacing: Floats) -> Floats:
        """Leaves or clouds move before the sun: counts in bursts at one gate."""
        counts = np.zeros((len(t_s), len(self.due_g)))
        happenings = self.scenario.happenings
        if happenings.sun_s is None:
            return counts
        from_s, to_s = happenings.sun_s
        lit = (t_s >= from_s) & (t_s < to_s)
        minute = (t_s / 60).astype(int)
        rough = self.flicker[np.minimum(minute, len(self.flicker) - 1)]
        rate = np.where(lit, 60.0 / 3600 * rough * 4, 0.0)
        counts[:, happenings.sun_gate - 1] += self.rng.poisson(rate * spacing)
        return counts


def _as_a_stream(rows: Places, spacing: Floats) -> Places:
    """Rows of drops (k,) in order, without those that a gate cannot tell apart."""
    most = np.ceil(_MERGE_PER_S * spacing)
    number = np.arange(len(rows)) - np.searchsorted(rows, rows)
    return np.asarray(rows[number < most[rows]])
