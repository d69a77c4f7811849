"""Follows the averaged mass reading: what of it is taken as it is, held, or called a fault."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from soakmon.physics.belief import effort, judgement, published
from soakmon.texts import say
from soakmon.watch.averaging import Average
from soakmon.watch.cell_states import CREEPS_G, CREEPS_PER_G, OFFSET, SLACK
from soakmon.watch.disturbance import (
    DRIFTS_G,
    FAR_SIGMA,
    HELD,
    SURPRISING_SIGMA,
    DisturbanceKind,
    FreezeWatch,
    NoiseGauge,
    judge,
)
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.figures import lasted, plain
from soakmon.watch.large_sips import Jump, largest_g
from soakmon.watch.rows import Floats
from soakmon.watch.settings import Settings
from soakmon.watch.steps import Steps
from soakmon.watch.verdict import Fault
from soakmon.watch.weep import Weep

# After a gap of so long the cell begins anew.
_GAP_S = judgement(900.0, "s")
# What is far off again so soon after a flow is still that flow.
_GOES_ON_S = judgement(180.0, "s")
# Before so many minutes the filter knows too little to find anything far.
_WARM_UP = effort(10, "minutes")
# A converter that was without power warms up by 0.3 g, and meanwhile the bottle may have been
# lifted; a push may lift it for a moment, and what is poured in creeps by 0.03 % (see the filter).
_COLD_G = published(0.3, "g")
_LIFTED_G = judgement(0.2, "g")
# A cell whose minutes scatter by no more than this, on no more than that, is the one the filter
# describes (judgement).
_FINE_G = judgement(0.05, "g")
_USUAL_LOAD_G = judgement(2000.0, "g")
# A step leaves the offset unknown by so many of its own sizes, and its minutes are those as near to
# it as that: a cell creeps (judgement).
_STEP_SDS = judgement(3.0, "times")
_ON_STEP = judgement(0.001, "share")
# Neighbours of a spike differ from each other by no more of it than this.
_AGREE = judgement(0.2, "share")
# What may be poured in, g for each ml that the bottle is said to hold (judgement).
_HOLDS = judgement(1.2, "g/ml")
# Somebody moves on bench or bottle while the readings of a minute scatter about their mean by so
# much, so many times the usual, and by this share of what the minute differs from the one before:
# a flow moves it by more.
_RESTLESS_G = judgement(1.0, "g")
_RESTLESS = judgement(10.0, "times")
_OF_MOVE = judgement(1 / 6, "share")
# What fell while the gates counted such a share of it as drops ran out: nobody has touched it.
_COUNTED = judgement(0.3, "share")
# The pace before is that of so many readings; a flow is at most so much faster a few minutes on.
_CALM = effort(10, "readings")
_AS_FAST = judgement(1.5, "times")
# Less of a step than this the reading itself has made: the prediction has moved.
_MOVED = judgement(0.4, "share")
# A spike is over when no more than this share of it is left.
_BACK = judgement(0.5, "share")
# A smaller spike is not told.
_TOLD_G = judgement(1.0, "g")


class Follower:
    """Feeds averaged readings to the mass filter of a `Weep`, around disturbances.

    sip_g: largest step down that is taken for a float needle's sip; bottle_g: what a bottle holds.
    """

    def __init__(self, sip_g: float, bottle_g: float = math.inf) -> None:
        self.sip_g, self.bottle_g = sip_g, bottle_g
        self.gauge = NoiseGauge()
        self.freeze = FreezeWatch()
        self.faults: list[Fault] = []
        self.held: list[tuple[Floats, float, float, Floats]] = []
        # What the gates have counted, by each of the last readings, and before what is held, g.
        self.all_counted_g, self.counted_g, self.counted_before_g = 0.0, [0.0, 0.0], 0.0
        self.held_since_s = self.held_until_s = 0.0
        self.waiting: list[tuple[float, Floats, float, Floats]] = []
        self.blind_s = self.stood_s = self.longest_gap_s = 0.0
        self.last_good_s = float("nan")
        self.spacing_s = 60.0
        self.steps = Steps()
        # How far out the reading was that the soak is reckoned from: known when there are more.
        self.start_off_g = 0.0
        # When the cell last showed a step of some size: proof that it lives.
        self.moved_s = float("-inf")
        # Until when fuel flowed out, and whether what is held came right after it.
        self.flow_s = float("-inf")
        self.flowing = False
        # The last readings that were as expected (s, g).
        self.calm: deque[tuple[float, float]] = deque([(0.0, 0.0)], maxlen=_CALM)
        # Since when somebody moves there, and the furthest out that a minute has been.
        self.restless_s = float("nan")
        self.swung_g = 0.0

    @classmethod
    def of(cls, settings: Settings) -> Follower:
        """For the bottle and needles of these settings."""
        # A bottle that is described too small, or petrol that is counted as water, is no less.
        return cls(settings.priors.sip_g, _HOLDS * settings.geometry.bottle.capacity_ml)

    def step(self, average: Average, seconds: float, weep: Weep, evaporation: Evaporation) -> None:
        """Take one averaging step; `weep` has already been advanced to it."""
        self.all_counted_g += float(average.drops @ np.asarray(weep.drop_g))
        mass_g = average.mass_g
        if not math.isfinite(mass_g):
            self.blind_s += seconds
            return
        if not self.held:
            # A minute's mass is that of most of it: what flowed at its end shows in the next.
            self.counted_before_g = self.counted_g[0]
        self.counted_g = [self.counted_g[1], self.all_counted_g]
        if self.freeze.add(mass_g, average.frozen):
            self._frozen(average.t_s, seconds)
            return
        self._gap(average.t_s, seconds, weep)
        moved_g = mass_g - self.gauge.last_g
        self.gauge.add(mass_g)
        reading = mass_g - weep.zero_g + evaporation.total_g
        row, inputs = weep.row(evaporation), weep.inputs(evaporation)
        if len(self.gauge.differences.values) < _WARM_UP:
            # What the cell's noise is must be known before any reading is believed.
            self.waiting.append((average.t_s, row, reading, inputs))
            return
        if self._restless(average, reading, moved_g):
            self.blind_s += seconds
            return
        noise = self.gauge.sd_g(average.noise_g)
        if self.waiting:
            weep.filter.coarsen(max(1.0, noise / _FINE_G, abs(mass_g) / _USUAL_LOAD_G))
            self._begin(noise, weep)
        reading = mass_g - weep.zero_g + evaporation.total_g
        self._offer(average.t_s, (row, reading, noise, inputs), weep)

    def _counted(self, size_g: float) -> bool:
        """Whether the gates have counted what moves the reading by so much, so that it ran out."""
        return self.counted_g[1] - self.counted_before_g > _COUNTED * size_g

    def _restless(self, average: Average, reading_g: float, moved_g: float) -> bool:
        """Whether somebody moves there, so that the minute tells nothing; told when he is gone."""
        usual_g = self.gauge.sd_g(math.nan)
        least_g = max(_RESTLESS_G, _RESTLESS * usual_g, _OF_MOVE * abs(moved_g))
        if average.noise_g > least_g and not self._counted(max(abs(moved_g), average.noise_g)):
            if not math.isfinite(self.restless_s):
                self.restless_s, self.swung_g = average.t_s, 0.0
            self.swung_g = max(self.swung_g, abs(reading_g - self.calm_g))
            return True
        if math.isfinite(self.restless_s):
            passed = say("follow.knock_g_passed", worst=f"{self.swung_g:.1f}")
            self._fault(self.restless_s, "bump", passed)
            self.restless_s = math.nan
        return False

    def _begin(self, noise: float, weep: Weep) -> None:
        """Offer what has waited until the noise was known, without what was a spike."""
        # Readings are reckoned from the one that the soak began at, which has none of its own.
        off_g, *spikes = _spikes([0.0, *(one[2] for one in self.waiting)], noise)
        self.start_off_g = off_g
        weep.zero_g -= off_g
        for (t_s, row, reading, inputs), spike_g in zip(self.waiting, spikes, strict=True):
            if not spike_g:
                self._offer(t_s, (row, reading + off_g, noise, inputs), weep)
        self.waiting = []

    def _offer(self, t_s: float, item: tuple[Floats, float, float, Floats], weep: Weep) -> None:
        residual, sd = weep.filter.surprise(*item)
        if abs(residual) <= FAR_SIGMA * sd and not self.held:
            # So soon after a step the filter finds nothing far, not even that it goes back.
            # A step falls in one minute, or in two.
            fell_g = max(self.calm_g, self.calm[max(len(self.calm) - 2, 0)][1]) - item[1]
            self.steps.goes_back(t_s, fell_g)
            self._take(weep, item, residual, sd)
        else:
            self._hold(t_s, item, weep)

    def _take(
        self, weep: Weep, item: tuple[Floats, float, float, Floats], residual: float, sd: float
    ) -> None:
        if residual < -SURPRISING_SIGMA * sd:
            # Half a sip hidden in the noise must not pass for a minute's leak.
            weep.filter.sip()
        self.calm.append((self.last_good_s, item[1]))
        weep.fit.add(residual / sd)
        weep.filter.temper = weep.fit.excess
        weep.filter.update(*item)

    def _hold(self, t_s: float, item: tuple[Floats, float, float, Floats], weep: Weep) -> None:
        if not self.held:
            self.held_since_s = t_s
            self.flowing = self.steps.load is None and t_s - self.flow_s <= _GOES_ON_S
        self.held_until_s = t_s
        self.held.append(item)
        residuals = np.array([weep.filter.surprise(*held)[0] for held in self.held])
        sd = weep.filter.surprise(*item)[1]
        # While it pours the prediction is soon worth little: a spike also has to go back.
        most_g = max(_BACK * float(np.abs(residuals).max()), SURPRISING_SIGMA * sd)
        if abs(residuals[-1]) <= min(FAR_SIGMA * sd, most_g):
            # Back where it was: what was held in between was a spike, and is dropped.
            self._spike(residuals[:-1])
            self.held = []
            self._take(weep, item, residuals[-1], sd)
        elif len(self.held) >= HELD:
            self._judge(residuals, item[2], weep)

    def _spike(self, residuals: Floats) -> None:
        worst = float(np.abs(residuals).max(initial=0.0))
        if worst > _TOLD_G:
            self._fault(
                self.held_since_s, "bump", say("follow.knock_g_passed", worst=f"{worst:.1f}")
            )

    def _judge(self, residuals: Floats, noise: float, weep: Weep) -> None:
        judged = judge(residuals, noise, self.sip_g)
        if judged is None:
            return
        kind, step = judged
        jump = Jump(self.held_since_s, self.held_until_s, step)
        kind = self._kind(kind, jump)
        if abs(step) > DRIFTS_G:
            self.moved_s = self.held_since_s
        if kind is DisturbanceKind.SIP:
            weep.filter.sip()
        elif kind is DisturbanceKind.FLOW:
            # What needles let in by sips is over in minutes: what goes on flowing is no such thing.
            weep.filter.loosen(OFFSET if self.flowing else SLACK, abs(step))
            self.flow_s = self.held_until_s
        elif kind is DisturbanceKind.OWN:
            weep.filter.loosen(OFFSET, abs(step))
        else:
            weep.filter.loosen(OFFSET, _STEP_SDS * abs(step))
            weep.filter.reopen(CREEPS_G + CREEPS_PER_G * abs(step), 0.0)
            self.steps.take_out(jump, from_g=self.calm_g, to_g=self.calm_g + self._moved_g())
            refill = kind is DisturbanceKind.REFILL and step < self.bottle_g
            added = say("follow.fuel_was_added_g", step=plain(step))
            jumped = say("follow.reading_jumped_g_something_touched", step=plain(step))
            self._fault(
                self.held_since_s, "refill" if refill else "bump", added if refill else jumped
            )
        for residual, item in zip(residuals, self.held, strict=True):
            # A minute in which the step fell, or somebody moved, is neither here nor there.
            if kind in {DisturbanceKind.FLOW, DisturbanceKind.OWN} or abs(
                residual - residuals[-1]
            ) <= max(FAR_SIGMA * noise, _ON_STEP * abs(step)):
                self._take(weep, item, *weep.filter.surprise(*item))
        self.held = []

    def _kind(self, kind: DisturbanceKind, jump: Jump) -> DisturbanceKind:
        """What a step is in the light of what came before it."""
        step_g = jump.size_g
        flows = self.flowing or self._counted(abs(step_g))
        if kind is DisturbanceKind.BUMP and step_g < 0 and (flows or self._goes_on()):
            # A flood that slows, is shut off, or has emptied the bottle: nobody has touched it. Nor
            # where the filter was as far off before: nothing else has moved.
            return DisturbanceKind.FLOW
        if kind is DisturbanceKind.BUMP and self._a_needles(jump):
            return DisturbanceKind.SIP
        if kind is DisturbanceKind.SIP and self.steps.rises.gone_back(jump.since_s, -step_g):
            return DisturbanceKind.BUMP
        if kind is DisturbanceKind.BUMP and step_g > 0:
            if self._moved_g() < _MOVED * step_g:
                return DisturbanceKind.OWN
            self.steps.rises.add(jump.since_s, step_g)
        return kind

    def _a_needles(self, jump: Jump) -> bool:
        """Whether a step is the next of a needle's; the last ones then were so too."""
        sips = self.steps.needles(jump)
        if not sips:
            return False
        self.sip_g = max(self.sip_g, largest_g(sips))
        jumped_s = {sip.since_s for sip in sips[:-1]}
        self.faults = [one for one in self.faults if one.kind != "bump" or one.t_s not in jumped_s]
        return True

    @property
    def calm_g(self) -> float:
        """The last reading that was as expected, g."""
        return self.calm[-1][1]

    def _moved_g(self) -> float:
        """How far what is held is from the last reading that was as expected, g."""
        return float(np.median([item[1] for item in self.held[-2:]])) - self.calm_g

    def _goes_on(self) -> bool:
        """Whether what is held fell, but for a sip, no faster than the readings before it."""
        (first_s, first_g), (last_s, last_g) = self.calm[0], self.calm[-1]
        pace = max(first_g - last_g, 0.0) / max(last_s - first_s, 60.0)
        return -self._moved_g() <= self.sip_g + _AS_FAST * pace * (self.held_until_s - last_s)

    def _frozen(self, t_s: float, seconds: float) -> None:
        self.blind_s += seconds
        self.stood_s += seconds
        if not self.freeze.reported:
            self.freeze.reported = True
            self._fault(
                t_s,
                "cell_frozen",
                say("follow.load_cell_repeats_same_reading"),
            )

    def _gap(self, t_s: float, seconds: float, weep: Weep) -> None:
        silent_s = t_s - self.last_good_s
        if silent_s > max(_GAP_S, 3 * self.spacing_s):
            weep.filter.reopen(_LIFTED_G, _COLD_G)
        self.spacing_s = min(silent_s, seconds)
        if silent_s > _GAP_S:
            self.longest_gap_s = max(self.longest_gap_s, silent_s)
            self._fault(
                self.last_good_s, "gap", say("follow.no_mass_reading", silent_s=lasted(silent_s))
            )
        self.last_good_s = t_s

    def _fault(self, t_s: float, kind: str, text: str) -> None:
        self.faults.append(Fault(t_s, kind, text))


def _spikes(readings_g: list[float], noise_g: float) -> list[float]:
    """How far each reading is out that its neighbours, which agree, do not bear out; 0: it is in.

    The first has only later ones, the last is left to what follows.
    """
    out = [0.0] * len(readings_g)
    least_g = max(FAR_SIGMA * noise_g, _TOLD_G)
    for place in range(len(readings_g) - 1):
        near = (place - 1, place + 1) if place else (1, 2)
        if near[1] >= len(readings_g):
            break
        one, other = (readings_g[k] for k in near)
        off_g = readings_g[place] - 0.5 * (one + other)
        if abs(off_g) > least_g and abs(one - other) < _AGREE * abs(off_g):
            out[place] = off_g
    return out
