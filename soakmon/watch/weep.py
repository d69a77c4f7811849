"""The weep layer: is there a leak of unknown rate, onset and place? Mass and drops together.

Every averaged reading feeds the mass filter and the gates. Their likelihood ratios over a grid of
onsets and rates are mixed with prior weights into one ratio per story (a leak under gate i; a leak
no gate sees). Under no leak each ratio is a non-negative martingale, so an alarm at 1/share keeps
its share of the false-alarm budget over the whole soak.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort, judgement, measured
from soakmon.physics.drops import drop_mass_g
from soakmon.physics.geometry import Bowl
from soakmon.watch.cell_states import (
    CREEP,
    CREEP_60,
    HELD,
    OFFSET,
    SIZE,
    SLACK,
    TEMP,
    TEMP_20,
    TEMP_60,
    TEMP_180,
    TOP_UP,
    WANDER,
    WARM_UP,
)
from soakmon.watch.company import NEAR_S, Company
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.fit import Fit
from soakmon.watch.gate import CELL_S, GateEvidence
from soakmon.watch.logs import log_sum
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.needles import most_short_g, short_g
from soakmon.watch.rows import Floats
from soakmon.watch.settings import REFERENCE_C, Settings
from soakmon.watch.spread import PARTS, slices_of

# When a leak may have begun: a grid over a day.
ONSETS = effort(96, "onsets")
ONSET_STEP_S = effort(900.0, "s")
# Leak rates, g/h, half an octave apart: from 0.1 g/day to what empties a bottle in an hour.
LEAKS: Floats = effort(0.004 * 2 ** (np.arange(34) / 2), "g/h")
# Half of all leaks are there from the start (judgement).
_FROM_START = judgement(0.5, "chance")
# A gate is told at least so often what the others have counted.
_TOLD_EVERY_S = effort(1800.0, "s")
# What leaks under a gate is on its way to the lip for so long (judgement).
TO_LIP_S = judgement(900.0, "s")
# Share of the leak that a gate catches (as steps down the rate grid), and its weight.
_CAUGHT = judgement(((0, 0.8), (2, 0.15), (5, 0.05)), ("steps", "weight"))
# What a cell may stray in an hour or two.
_STRAYS_G = judgement(0.3, "g")
# The bank of filters is looked through so often.
_PRUNED_S = effort(3600.0, "s")
# Chance that drops at a gate are water. Needles hold the bottle's loss back and let it go by sips,
# so for an hour or two the mass may speak against a true leak by some e-folds (15 were seen): the
# chance is set so small that only a mass that stays for hours outvotes regular drops.
_WATER = measured(1e-15, "chance")
# Leaks beyond this show in the first minutes: they have a smaller share of the prior (judgement).
_FAST_G_PER_H = judgement(10, "g/h")
_FAST_SHARE = judgement(0.3, "weight")
# Fuel that drips left the bottle just before, or else at any time before (judgement).
_JUST_BEFORE = judgement(0.7, "weight")
_LONG_BEFORE = judgement(0.3, "weight")


def _rate_prior() -> Floats:
    """Log-uniform up to `_FAST_G_PER_H`, thinner beyond: such leaks show in the first minutes."""
    weight = np.where(LEAKS > _FAST_G_PER_H, _FAST_SHARE, 1.0)
    return np.asarray(weight / weight.sum())


RATE_PRIOR = _rate_prior()
# Of leaks under a gate, by how long their drops take: a drop more, to be as sure of a fast one,
# costs seconds; of a slow one hours.
GATE_PRIOR: Floats = RATE_PRIOR / LEAKS / (RATE_PRIOR / LEAKS).sum()


class Weep:
    """Evidence for a weep since start_s.

    settings: bench and priors; reading_g: the first averaged mass.
    """

    def __init__(self, settings: Settings, start_s: float, gates: int, reading_g: float) -> None:
        priors = settings.priors
        self.short_g, short_sd_g = short_g(settings.geometry.bowls, settings.fuel)
        self.drawn_g = 0.0
        self.filter = MassFilter(
            slices_of(settings),
            priors.zero_g_per_c,
            ONSETS,
            short_g=(self.short_g, short_sd_g),
            unsteady_rel_sd=priors.unsteady_rel_sd,
        )
        self.start_s = start_s
        self.last_s = start_s
        self.fed_s = start_s
        self.zero_g = reading_g
        self.exposure_h: Floats = np.zeros(ONSETS)
        self.onset_step_s = ONSET_STEP_S
        self.first_c = float("nan")
        self.drop_g = [
            float(drop_mass_g(settings.fuel, bowl.lip_radius_mm, REFERENCE_C))
            for bowl in _bowls(settings, gates)
        ]
        self.gates = [
            GateEvidence(LEAKS / drop, priors.dark_per_h, start_s) for drop in self.drop_g
        ]
        self.company = Company(gates, start_s)
        self.weighed_s = start_s
        # What each gate was last told that the others had counted, and when.
        self.told: list[int] = []
        self.told_s = start_s
        self.evaporated_g = 0.0
        self.fit = Fit()

    @property
    def onset_s(self) -> Floats:
        """(J,) onset times in s from the start of the run."""
        return np.asarray(self.start_s + self.onset_step_s * np.arange(ONSETS))

    def row(self, evaporation: Evaporation) -> Floats:
        """Observation row of the mass filter for now."""
        row = np.zeros(SIZE)
        row[[OFFSET, SLACK, WANDER, WARM_UP, CREEP, CREEP_60]] = 1.0
        row[TOP_UP] = -evaporation.cooled_g
        row[HELD] = evaporation.cooled_g - evaporation.top_up_g
        row[TEMP] = evaporation.air_c - self.first_c
        row[TEMP_20] = evaporation.air_20_c - self.first_c
        row[TEMP_60] = evaporation.air_60_c - self.first_c
        row[TEMP_180] = evaporation.air_180_c - self.first_c
        return row

    def inputs(self, evaporation: Evaporation) -> Floats:
        """(PARTS + ONSETS,) g that a unit of each factor, and a leak of 1 g/h, has added so far."""
        parts = (evaporation.bottle_hose_g, evaporation.bowls_g)
        return -np.concatenate((parts, self.exposure_h))

    def advance(self, t_s: float, feed_open: float, evaporation: Evaporation) -> None:
        """Let time pass up to t_s; the feed was open for that share of it."""
        seconds = t_s - self.last_s
        leaking_s = np.minimum(np.maximum(t_s - self.onset_s, 0.0), seconds)
        self.exposure_h = self.exposure_h + leaking_s * (feed_open / 3600.0)
        if not math.isfinite(self.first_c):
            self.first_c = evaporation.air_c
        hours = seconds / 3600.0
        drawn = (evaporation.drawn_g - self.drawn_g) / self.short_g
        self.filter.predict(hours, evaporation.total_g - self.evaporated_g, drawn)
        self.drawn_g = evaporation.drawn_g
        self.evaporated_g = evaporation.total_g
        if t_s // _PRUNED_S > (t_s - seconds) // _PRUNED_S:
            self.filter.prune()
        self.wait(t_s, feed_open)
        if t_s - self.start_s > self.onset_step_s * ONSETS:
            self._coarsen()

    def wait(self, t_s: float, feed_open: float) -> None:
        """Let time pass while only the gates count: the rack settles."""
        self.last_s = t_s
        if feed_open > 0:
            self.fed_s = t_s

    def count_from(self, t_s: float) -> None:
        """The gates have been listened to since a time before the start."""
        dark_per_h = self.gates[0].dark_per_h if self.gates else 0.0
        self.gates = [GateEvidence(LEAKS / drop, dark_per_h, t_s) for drop in self.drop_g]
        self.company = Company(len(self.gates), t_s)

    def hear(self, gate: int, t_s: float, count: int, spacing_s: float, dark_ms: float) -> None:
        """Counts of a gate in the spacing_s before t_s, dark for dark_ms (NaN: unknown)."""
        self.company.hear(gate, t_s, count, spacing_s, dark_ms)

    def weigh(self, until_s: float, *, at_once: bool = False) -> None:
        """Weigh the counts that have had a minute for company, by until_s; at_once: all of them."""
        ready_s = until_s if at_once else until_s - NEAR_S
        for index, gate in enumerate(self.gates):
            for count in self.company.due(index, ready_s):
                gate.add(count, self.company.near(index, count))
        self.weighed_s = max(self.weighed_s, min(ready_s, self.fed_s))
        counted = [gate.count for gate in self.gates]
        if counted != self.told or self.weighed_s - self.told_s >= _TOLD_EVERY_S or at_once:
            self.told, self.told_s = counted, self.weighed_s
            for index, gate in enumerate(self.gates):
                gate.hears_of(counted[:index] + counted[index + 1 :], self.weighed_s)

    def carry_on(self, before: Weep) -> None:
        """Take over what the gates have counted: only the mass starts afresh."""
        self.gates, self.company = before.gates, before.company
        self.fed_s, self.weighed_s = before.fed_s, before.weighed_s

    def _coarsen(self) -> None:
        """Keep every second onset when a soak outlasts the grid."""
        half = ONSETS // 2
        for name in ("score", "information", "effect", "shared"):
            values = getattr(self.filter, name)
            fresh = np.zeros_like(values)
            fresh[..., :PARTS] = values[..., :PARTS]
            fresh[..., PARTS : PARTS + half] = values[..., PARTS::2]
            setattr(self.filter, name, fresh)
        self.filter.begun = PARTS + half
        exposure = np.zeros(ONSETS)
        exposure[:half] = self.exposure_h[::2]
        self.exposure_h = self.filter.exposed_h = exposure
        self.onset_step_s *= 2

    def onset_prior(self) -> Floats:
        """(J,) half on a leak that was there from the start, the rest even over the day."""
        prior = np.full(ONSETS, (1 - _FROM_START) / (ONSETS - 1))
        prior[0] = _FROM_START
        return prior

    def mass_log_ratio(self) -> Floats:
        """(J, R) of a leak from each onset at each rate, from the mass alone."""
        return self.filter.log_ratio(LEAKS)

    def mass_dates(self) -> Floats:
        """The same where it is known that something leaks: the change of pace is the leak's."""
        return self.filter.log_ratio(LEAKS, kinks=False)

    def unseen(self, mass: Floats) -> float:
        """Log-ratio of a leak that no gate sees."""
        joint = mass + np.log(self.onset_prior())[:, None] + np.log(RATE_PRIOR)
        return float(log_sum(joint))

    def lost_g(self, mass: Floats) -> float:
        """Grams that the likeliest leak, by the mass alone, has taken so far."""
        onset, rate = np.unravel_index(int(mass.argmax()), mass.shape)
        return float(self.exposure_h[onset] * LEAKS[rate])

    @property
    def strays_g(self) -> float:
        """What bottle and cell may show as lost though nothing is: bowls that fill all at once."""
        return most_short_g(self.short_g) + _STRAYS_G

    def under_gate(self, index: int, mass: Floats | None) -> tuple[float, Floats, Floats]:
        """Log-ratio of a leak under gate `index`; its joint (C, R) log-terms; first-drop times.

        mass: None where the mass is not asked.
        """
        times, ratios = self.gates[index].log_ratio(self.weighed_s)
        if not len(times):
            # A leak under a gate that has counted nothing has not started to drip yet.
            return 0.0, np.zeros((0, len(LEAKS))), times
        joint = self._joint(index, times, ratios, mass)
        return float(log_sum(joint)), joint, times

    def drips(self, index: int) -> float:
        """Log-ratio of drops at gate `index` where it is known that fuel leaks somewhere."""
        times, ratios = self.gates[index].log_ratio(self.weighed_s, rough=False)
        return float(log_sum(self._joint(index, times, ratios, None))) if len(times) else 0.0

    def in_step(self, index: int, mass: Floats) -> float:
        """Log-ratio of drops that begin when the mass begins to fall, as fast, against any others.

        Whatever makes the counts, it knows nothing of a leak elsewhere.
        """
        both, alone = (self.under_gate(index, known)[0] for known in (mass, None))
        return both - alone - self.unseen(mass)

    def _joint(self, index: int, times: Floats, ratios: Floats, mass: Floats | None) -> Floats:
        """(C, R) log-terms of a leak under a gate with these ratios from these first drops on."""
        loss = 0.0 if mass is None else self._loss_from(mass, times)
        ratios = ratios + np.log(CELL_S * self._first_drop_per_s(times, self.drop_g[index]))
        terms = [
            _shift_down(ratios, steps) + loss + np.log(weight) + np.log(GATE_PRIOR)
            for steps, weight in _CAUGHT
        ]
        return np.asarray(np.logaddexp.reduce(np.array(terms), axis=0))

    def gate_ratio(self, index: int, mass: Floats, *, beside: bool = False) -> float:
        """Log-ratio of a leak under gate `index`, which has counted, against none or one unseen.

        What the mass lost may come from elsewhere: the gate must add evidence of its own. And what
        drips may be water that condensed on a cold bowl: however regular the drops, a mass that
        stays while they fall speaks against fuel. beside: fuel leaks elsewhere, that is known; then
        this leak may be too small beside it for the mass to tell.
        """
        times, ratios = self.gates[index].log_ratio(self.weighed_s)
        ratio = float(log_sum(self._joint(index, times, ratios, mass)))
        alone = float(log_sum(self._joint(index, times, ratios, None)))
        elsewhere = max(0.0, self.unseen(mass))
        if beside:
            ratio = float(np.logaddexp(ratio, alone + elsewhere)) - math.log(2)
        # Against each by itself: the share of the budget holds under none and under one unseen,
        # whichever is true. Under water it does not: its chance is set for hours of mass.
        return ratio - max(elsewhere, alone + float(np.log(_WATER)))

    def _first_drop_per_s(self, times: Floats, drop_g: float) -> Floats:
        """(C, R) density that a leak's first drop falls at each time, by the rate at its gate.

        Fuel that leaks from the start has to reach the lip and to make a drop.
        """
        mean_s = TO_LIP_S + 3600.0 * drop_g / LEAKS
        # The gates may have been listened to for longer than the mass.
        since_s = times - min([self.start_s, *(gate.start_s for gate in self.gates)])
        soon = np.exp(-since_s[:, None] / mean_s) / mean_s
        return np.asarray(_FROM_START * soon + (1 - _FROM_START) / (ONSETS * ONSET_STEP_S))

    def _loss_from(self, mass: Floats, times: Floats) -> Floats:
        """(C, R) mass log-ratio for first drops at `times`: fuel left then, or some time before."""
        cell = np.clip(((times - self.start_s) // self.onset_step_s).astype(int), 0, ONSETS - 1)
        earlier = np.logaddexp.accumulate(mass[: cell.max() + 1], axis=0)
        earlier -= np.log(np.arange(1, len(earlier) + 1))[:, None]
        return np.asarray(
            np.logaddexp(mass[cell] + np.log(_JUST_BEFORE), earlier[cell] + np.log(_LONG_BEFORE))
        )


def _bowls(settings: Settings, gates: int) -> list[Bowl]:
    bowls = settings.geometry.bowls or (Bowl(),)
    return [bowls[min(i, len(bowls) - 1)] for i in range(gates)]


def _shift_down(ratios: Floats, steps: int) -> Floats:
    """Ratios by leak rate when the gate sees a rate `steps` lower on the grid."""
    if steps == 0:
        return ratios
    shifted = np.empty_like(ratios)
    shifted[:, steps:] = ratios[:, :-steps]
    shifted[:, :steps] = -50.0
    return shifted
