"""The physical bench: fuel in bottle, line and bowls, where it goes, and why.

Everything is kept as grams of each component, so mass is conserved by construction: what leaves a
place arrives in another or is counted as evaporated or leaked.
"""

from __future__ import annotations

from dataclasses import astuple

import numpy as np

from sim.blend import Floats, blend, density_g_per_ml
from sim.faults import Defect, Kind
from sim.lips import Lips
from sim.plumbing import Needle, escape_g_per_s, head_of, hose_flow_g_per_s
from sim.scenario import Scenario
from sim.vapour import (
    Ullages,
    bowl_conductance_m,
    diffusion_g_per_s,
    patch_g_per_s,
    permeation_g_per_s,
    runs_out_g_per_s,
    vent_conductance_m,
)
from sim.weather import Weather

_LONG_S, _SHORT_S = 60.0, 1.0
_BUSY_G_PER_S = 2e-3
_FILM_G_PER_MM2 = 4e-4
_DREGS_G = 0.5
# A line that is shut at its top hangs like fuel in a straw: air would have to replace what it gives
# to a bowl, through a needle seat of 2 mm against surface tension (holes under some 5 mm hold). Air
# that comes out of the fuel, cooling and a soft hose make it give some percent (estimated, good to
# a factor of three); where air gets in somewhere, it gives all.
_LINE_GIVES, _AIR_GETS_IN = (0.01, 0.08), 0.15


class World:
    """The bench of a scenario; `advance` lets time pass with the valve open or shut.

    t_s: time in s; bottle_g, line_g: (7,), bowls_g: (N, 7) fuel by component; at_lip_g: (N,) what
    has reached the lip of each carb, ever; leaked_g: what got out as liquid (drops, wet patches and
    what dried off them: dried_g); added_g: refilled; evaporated_g: the honest loss.
    """

    def __init__(self, scenario: Scenario, seed: int, hours: float) -> None:
        rng = np.random.default_rng([seed, 1])
        self.scenario = scenario
        self.geometry = scenario.geometry
        self.fuel = scenario.fuel
        self.t_s = 0.0
        self.weather = Weather(scenario.climate, hours, np.random.default_rng([seed, 2]))
        self._draw(rng)
        bowls = self.geometry.bowls
        shares = blend(scenario.blend, self.fuel.rvp_kpa * float(rng.lognormal(0, 0.04)))
        self.poured: Floats = shares
        self.bottle_g: Floats = shares * self._density(15.0) * scenario.filled_ml
        self.line_g: Floats = np.zeros(len(shares))
        self.line_gives = self._line_gives(np.random.default_rng([seed, 8]))
        self.spare_g = 0.0
        self.bowls_g: Floats = np.zeros((len(bowls), len(shares)))
        self.needles = [Needle(float(rng.uniform(*scenario.sticks_mm))) for _ in bowls]
        self.ullages = Ullages(1 + len(bowls))
        self.defects = list(scenario.defects)
        self.patch_g = [0.0] * len(scenario.defects)
        self.lips = Lips(len(bowls), scenario.lip_dries_g_per_h)
        self.floats_g: Floats = np.zeros((len(bowls), len(shares)))
        self.runs_out_m3_per_s = scenario.runs_out_l_per_day * 1e-3 / 86400
        self.at_lip_g: Floats = np.zeros(len(bowls))
        self.leaked_g = 0.0
        self.added_g = 0.0
        self.evaporated_g = 0.0
        self.dried_g = 0.0
        self.lets_through = 1.0
        self.busy = True
        self.was_open = False
        self.refilled = scenario.happenings.refill_s is None

    def _draw(self, rng: np.random.Generator) -> None:
        """This bench's own departures from its drawing."""
        scenario, bowls = self.scenario, self.geometry.bowls
        spread = rng.lognormal(0, [0.1, 0.18, 0.1])
        if scenario.factors is not None:
            spread = np.array(astuple(scenario.factors))
        spread = scenario.evaporation * spread
        draught = scenario.draught
        self.hose_factor = float(spread[1])
        bottle = float(spread[0]) * vent_conductance_m(self.geometry.bottle.vent)
        each = [float(spread[2]) * bowl_conductance_m(bowl) for bowl in bowls]
        self.headroom_ml = [bowl.area_mm2 * bowl.headroom_mm * 1e-3 for bowl in bowls]
        self.conductance_m: Floats = draught * np.array([bottle, *each])

    @staticmethod
    def _line_gives(rng: np.random.Generator) -> float:
        """Share of its fuel that the line gives up once it is shut off."""
        share = float(rng.uniform(*_LINE_GIVES))
        return 1.0 if rng.random() < _AIR_GETS_IN else share

    def _density(self, temp_c: float) -> float:
        return density_g_per_ml(self.fuel.density_15c_kg_per_m3, temp_c)

    @property
    def bottle_mass_g(self) -> float:
        """Fuel in the bottle, g."""
        return float(self.bottle_g.sum())

    @property
    def held_g(self) -> float:
        """All liquid fuel on the bench: bottle, line, bowls and wet patches, g."""
        inside = self.bottle_g.sum() + self.line_g.sum() + self.bowls_g.sum() + self.floats_g.sum()
        return float(inside) + sum(self.patch_g) + float(self.lips.hanging_g.sum())

    def advance(self, dt_s: float, *, feed_open: bool) -> None:
        """Let dt_s seconds pass."""
        end_s = self.t_s + dt_s
        self.busy = self.busy or feed_open != self.was_open
        self.was_open = feed_open
        while self.t_s < end_s - 1e-9:
            self._refill()
            self._step(min(self.quiet_s(), end_s - self.t_s), feed_open)

    def quiet_s(self) -> float:
        """How long a step may be: short while fuel flows, never past a sudden change."""
        sudden = [defect.onset_s for defect in self.scenario.defects]
        sudden += [t_s for defect in self.scenario.defects for t_s in defect.course.at_s]
        sudden += [t_s for blocked_s in self.scenario.fill.blocked_s for t_s in blocked_s]
        if self.scenario.happenings.refill_s is not None:
            sudden.append(self.scenario.happenings.refill_s)
        ahead = [t_s - self.t_s for t_s in sudden if t_s > self.t_s + 1e-6]
        return min(_SHORT_S if self.busy else _LONG_S, *ahead, _LONG_S)

    def _refill(self) -> None:
        """Somebody pours fresh fuel into the bottle."""
        refill_s = self.scenario.happenings.refill_s
        if self.refilled or refill_s is None or self.t_s < refill_s - 1e-6:
            return
        self.refilled = True
        grams = self.scenario.happenings.refill_g
        self.added_g += grams
        self.bottle_g += grams * blend(self.scenario.blend, self.fuel.rvp_kpa)

    def _step(self, dt: float, feed_open: bool) -> None:
        _, hose_c, bowls_c, bottle_c = self.weather.at(self.t_s)
        self.defects = [defect.now(self.t_s) for defect in self.scenario.defects]
        active = [d for d in self.defects if d.onset_s <= self.t_s + 1e-6]
        bottle_ml = self.bottle_mass_g / self._density(bottle_c)
        head = head_of(self.geometry, bottle_ml)
        self.lets_through = self.scenario.fill.share(self.t_s)
        supply = feed_open and self.bottle_mass_g > _DREGS_G and self.lets_through > 0
        drawn_g = self._line(dt, hose_c, head, supply, active)
        drawn_g += self._needles(dt, bowls_c, head, supply, active)
        self._escapes(dt, bowls_c, active)
        self.dried_g += self.lips.pass_on(self.at_lip_g, dt)
        self._soak(dt)
        self._evaporate(dt, hose_c, bowls_c, bottle_c, bottle_ml)
        self.busy = drawn_g / dt > _BUSY_G_PER_S or (supply and self._wants())
        self.t_s += dt

    def _wants(self) -> bool:
        """Whether a bowl is about to be topped up."""
        return any(needle.feeding for needle in self.needles if not self._blocked(needle))

    def _blocked(self, needle: Needle) -> bool:
        carb = self.needles.index(needle) + 1
        return any(d.kind is Kind.NEEDLE_SHUT and d.carb == carb for d in self.scenario.defects)

    def _line(
        self, dt: float, temp_c: float, head: float, supply: bool, active: list[Defect]
    ) -> float:
        """Fill hose and rail, lose what leaks and permeates from them; grams drawn."""
        full_g = self.geometry.hose.volume_ml * self._density(temp_c)
        flow_g = 0.0
        if supply:
            want = min(full_g - float(self.line_g.sum()), self._hose_g(head, dt))
            flow_g = self._move(self.bottle_g, self.line_g, want)
            # Warming fuel in the hose expands back into the bottle.
            self._move(self.line_g, self.bottle_g, -want)
        if self.line_g.sum() > 0.05 * full_g:
            lost = self.hose_factor * permeation_g_per_s(self.geometry.hose, temp_c) * dt
            lost *= float(self.line_g.sum()) / full_g
            self.evaporated_g += _take(self.line_g, lost)
        for defect in active:
            if defect.kind in {Kind.RAIL_JOINT, Kind.HOSE}:
                out = escape_g_per_s(defect, 0.0, head if supply else 0.1, temp_c) * dt
                self._wet(defect, _take(self.line_g, out), dt, temp_c)
        return flow_g if flow_g > 2e-3 * full_g else 0.0

    def _hose_g(self, head: float, dt: float) -> float:
        """The most that comes through the hose, g."""
        return self.lets_through * hose_flow_g_per_s(head) * dt

    def _needles(
        self, dt: float, temp_c: float, head: float, supply: bool, active: list[Defect]
    ) -> float:
        """Feed the bowls from the line, the line from the bottle; grams drawn."""
        room = self._hose_g(head, dt) if supply else 0.0
        if supply:
            self.spare_g = self.line_gives * float(self.line_g.sum())
        total = 0.0
        for index, needle in enumerate(self.needles):
            defects = [d for d in active if d.carb == index + 1]
            level = self._level_mm(index, temp_c)
            flow = needle.flow_g_per_s(level, head if supply else 0.1, defects, temp_c) * dt
            if needle.feeding and not any(d.kind is Kind.NEEDLE_OPEN for d in defects):
                area = self.geometry.bowls[index].area_mm2
                flow = min(flow, max(-level, 0.0) * area * 1e-3 * self._density(temp_c) + 1e-4)
            if supply:
                flow = min(flow, room)
                got = self._move(self.bottle_g, self.bowls_g[index], flow)
                room -= got
            else:
                got = self._move(self.line_g, self.bowls_g[index], min(flow, self.spare_g))
                self.spare_g -= got
            total += got
        return total

    def _escapes(self, dt: float, temp_c: float, active: list[Defect]) -> None:
        """Fuel out of the bowls: over the lip, through cracks and joints."""
        for index, bowl in enumerate(self.geometry.bowls):
            for defect in active:
                if defect.carb == index + 1 and defect.kind in {Kind.BOWL_JOINT, Kind.TUBE_CRACK}:
                    level = self._level_mm(index, temp_c)
                    out = escape_g_per_s(defect, level, 0.0, temp_c) * dt
                    self._wet(defect, _take(self.bowls_g[index], out), dt, temp_c)
            above = self._level_mm(index, temp_c) - bowl.headroom_mm
            if above > 0:
                spilt = above * bowl.area_mm2 * 1e-3 * self._density(temp_c)
                got = _take(self.bowls_g[index], spilt)
                self.leaked_g += got
                self.lips.take(self.at_lip_g, index, got)

    def _wet(self, defect: Defect, grams: float, dt: float, temp_c: float) -> None:
        """Fuel that got out wets a patch; the patch dries, and what it cannot hold drips."""
        place = self.defects.index(defect)
        self.leaked_g += grams
        held = self.patch_g[place] + grams
        most = _FILM_G_PER_MM2 * defect.patch_mm2
        wet = min(held / most, 1.0) * defect.patch_mm2
        dry = patch_g_per_s(self._shares(), wet, temp_c, self.scenario.draught) * dt
        dry = min(dry, held)
        self.dried_g += dry
        held -= dry
        spilt = max(held - most, 0.0)
        self.patch_g[place] = held - spilt
        if 1 <= defect.carb <= len(self.needles):
            self.lips.take(self.at_lip_g, defect.carb - 1, defect.caught * spilt)

    def _evaporate(
        self, dt: float, hose_c: float, bowls_c: float, bottle_c: float, bottle_ml: float
    ) -> None:
        bodies = np.concatenate((self.bottle_g[None], self.bowls_g))
        temp_c = (bottle_c + len(self.needles) * bowls_c) / (1 + len(self.needles))
        loss = np.minimum(diffusion_g_per_s(bodies, self.conductance_m, temp_c) * dt, bodies)
        space_ml = np.array([self.geometry.bottle.capacity_ml - bottle_ml, *self.headroom_ml])
        bodies_c = np.array([bottle_c, *[bowls_c] * len(self.needles)])
        loss += np.minimum(self.ullages.breathe_g(space_ml, bodies, bodies_c), 0.1)
        if self.runs_out_m3_per_s:
            loss[1:] += runs_out_g_per_s(self.bowls_g, self.runs_out_m3_per_s, bowls_c) * dt
        loss = np.minimum(loss, bodies)
        self.bottle_g -= loss[0]
        self.bowls_g -= loss[1:]
        self.evaporated_g += float(loss.sum())

    def _soak(self, dt: float) -> None:
        """Floats take fuel."""
        soaking = self.scenario.soaking
        if not soaking.grams:
            return
        for bowl_g, float_g in zip(self.bowls_g, self.floats_g, strict=True):
            if bowl_g.sum() > _DREGS_G:
                wants = (soaking.grams - float(float_g.sum())) * dt / soaking.lasts_s
                self._move(bowl_g, float_g, wants)

    def _level_mm(self, index: int, temp_c: float) -> float:
        bowl = self.geometry.bowls[index]
        volume_ml = float(self.bowls_g[index].sum()) / self._density(temp_c)
        return (volume_ml - bowl.volume_ml) * 1e3 / bowl.area_mm2

    def _shares(self) -> Floats:
        source = self.bottle_g if self.bottle_g.sum() > _DREGS_G else self.bowls_g.sum(axis=0)
        there = float(source.sum())
        # What wets a patch when all else has gone is what was poured.
        return np.asarray(source / there) if there > 1e-9 else self.poured

    @staticmethod
    def _move(source: Floats, target: Floats, grams: float) -> float:
        """Pour grams from one place into another; returns what there was."""
        if grams <= 0:
            return 0.0
        there = float(source.sum())
        part = min(grams / there, 1.0) if there > 1e-9 else 0.0
        moved = source * part
        source -= moved
        target += moved
        return part * there


def _take(source: Floats, grams: float) -> float:
    """Take grams of liquid out of the world; returns what there was."""
    if grams <= 0:
        return 0.0
    there = float(source.sum())
    part = min(grams / there, 1.0) if there > 1e-9 else 0.0
    source *= 1 - part
    return part * there
