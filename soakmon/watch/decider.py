"""The decider: readings in, alarms as they arise, a verdict at any time.

The same object serves a running soak (push a few rows at a time) and a recorded one
(`decide.decide`). It owns no clock and no file.
"""

from __future__ import annotations

import math

import numpy as np

from soakmon.physics.belief import effort
from soakmon.watch.alarming import new_alarms, of_fill
from soakmon.watch.averaging import Average, Averager
from soakmon.watch.curve import CurveKeeper
from soakmon.watch.decision import Decision, decision_of
from soakmon.watch.dry_bottle import DryBottle
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.filling import FillFinder
from soakmon.watch.flood import FLOODS_G_PER_H
from soakmon.watch.flood_layer import FloodLayer
from soakmon.watch.follow import Follower
from soakmon.watch.knock import without_knocks
from soakmon.watch.lifted import without_lifted
from soakmon.watch.mass_log import MassLog
from soakmon.watch.phase import Phase
from soakmon.watch.reading import CellPrior
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.tally import Tally
from soakmon.watch.verdict import Alarm, leak_alarm
from soakmon.watch.weep import Weep

# The evidence is weighed anew after so many minutes, or at a count.
_LOOK_EVERY = effort(10, "minutes")


class Decider:
    """Online decision over one soak.

    gates: number of drop gates; already_soaking: the readings start after filling.
    """

    def __init__(self, settings: Settings, gates: int, *, already_soaking: bool = False) -> None:
        self.settings = settings
        self.averager = Averager()
        self.finder = FillFinder.of(settings, already_soaking=already_soaking)
        self.evaporation = Evaporation(settings)
        self.follower = Follower.of(settings)
        self.tally = Tally(gates)
        self.curve = CurveKeeper(settings)
        self.masses = MassLog()
        self.weep: Weep | None = None
        self.alarms: list[Alarm] = []
        self.phases: list[tuple[str, float]] = [(self.finder.phase, 0.0)]
        self.start_s = self.last_s = self.last_row_s = math.nan
        self.soak_s = math.nan
        self.since_look = 0
        self.floods = FloodLayer(settings.priors.sip_g * max(len(settings.geometry.bowls), 1))
        self.bottle = DryBottle(settings.geometry.bottle.fill_ml)
        self.mass_running = False
        self.finished = False

    def record(self) -> RunRecord:
        """What has been learnt so far; to be read before more rows are pushed."""
        return RunRecord(
            self.settings,
            tuple(self.alarms),
            tuple(self.follower.faults),
            tuple(self.phases),
            start_s=self.start_s,
            soak_s=self.soak_s,
            last_s=self.last_s,
            last_row_s=self.last_row_s,
            empty_s=self.bottle.empty_s,
            mass_running=self.mass_running,
            finished=self.finished,
            finder=self.finder,
            evaporation=self.evaporation,
            follower=self.follower,
            tally=self.tally,
            curve=self.curve,
            masses=self.masses,
            weep=self.weep,
        )

    def push(self, rows: Rows) -> None:
        """Take the next rows; new alarms are appended to `alarms`."""
        if not len(rows):
            return
        rows = without_lifted(rows)
        if not math.isfinite(self.start_s):
            self.start_s = self.last_row_s = self.last_s = float(rows.t_s[0])
        rows, knocks = without_knocks(rows, np.diff(rows.t_s, prepend=self.last_row_s))
        self.tally.add_knocks(knocks)
        self.tally.add_missing(rows)
        # Step by step, so that nothing depends on how many rows come at once: the first row after a
        # step completes it, and what follows is seen in its light.
        stepped = False
        for part, average in self.averager.cut(rows):
            if average is None:
                self._see(part)
                continue
            self._see(part.part(0, 1))
            self._step(average)
            stepped = True
            if len(part) > 1:
                self._see(part.part(1, len(part)))
        if stepped:
            self._tell_curve()

    def _see(self, rows: Rows) -> None:
        """Drops and floods in rows as they are."""
        self._drops(rows)
        self.last_row_s = float(rows.t_s[-1])
        flooded = bool(self.floods.go_on_s(self.alarms))
        hung_g = self.follower.steps.rises.may_fall_g(self.last_row_s)
        found = self.floods.push(rows, self.finder, self.weep, flooded=flooded, hung_g=hung_g)
        for alarm in found:
            self._alarm(alarm)

    def finish(self) -> None:
        """Take what is still held back in an unfinished averaging step."""
        for average in self.averager.flush():
            self._step(average)
        self._tell_curve()
        self.finished = True
        self._look()

    def _drops(self, rows: Rows) -> None:
        alarmed = {alarm.carb for alarm in self.alarms}
        for one in rows.struck(self.last_row_s):
            self.tally.add(one.gate, one.t_s, one.count, one.spacing_s)
            # What drips on while the feed is shut tells causes apart. Where there was no leak yet,
            # a bowl that is still full may show one.
            if self.weep is None or (one.shut and one.gate + 1 in alarmed):
                continue
            self.weep.hear(one.gate, one.t_s, one.count, one.spacing_s, one.dark_ms)
            if one.gate + 1 not in alarmed:
                self.since_look = _LOOK_EVERY

    def _step(self, average: Average) -> None:
        phase = self._phase(average)
        seconds, self.last_s = average.t_s - self.last_s, average.t_s
        # A dry bottle feeds nothing, whatever the valve does, and its mass says nothing.
        dry = self.bottle.dry
        fed = 0.0 if dry else average.feed_open
        self.evaporation.step(seconds, average.air_c, average.fuel_c, fed)
        self.tally.step(average, seconds)
        self.bottle.step(average)
        if self.bottle.just_dry:
            self._has_emptied(average, phase)
        if self.weep is None and phase in {Phase.IDLE, Phase.SOAKING}:
            self._begin(average)
        if not self.mass_running:
            self.masses.add(average.t_s, average.mass_g, 0.0)
        if fed > 0:
            self.floods.look_back(self.alarms, self.masses, average.t_s)
        if self.weep is None:
            return
        if not self.mass_running:
            self._wait_for_soak(average, phase, self.weep)
            return
        if dry:
            self.weep.wait(average.t_s, fed)
        else:
            self.weep.advance(average.t_s, fed, self.evaporation)
            self.follower.step(average, seconds, self.weep, self.evaporation)
        self._note(average)
        self.since_look += 1
        if self.since_look >= _LOOK_EVERY:
            self._look()

    def _phase(self, average: Average) -> str:
        """Where the soak is by this reading; what begins with a new phase is begun."""
        before = self.finder.phase
        phase = self.finder.step(average)
        if phase != before:
            self._enter(phase, average)
        if self.finder.ran_over:
            self._pours(average.t_s, 60 * self.finder.fill.log.now_g_per_min)
        return phase

    def _pours(self, t_s: float, g_per_h: float) -> None:
        """The rack holds less than went into it: where no gate counts a flood, it is somewhere."""
        if not any(alarm.kind == "flood" for alarm in self.alarms):
            self._alarm(leak_alarm(t_s, "flood", None, g_per_h))

    def _has_emptied(self, average: Average, phase: str) -> None:
        """A bottle that held fuel minutes ago, and holds none: no hand does that, nor a needle."""
        poured_g_per_h = self.bottle.poured_g_per_h
        if self.finder.over_g(average.t_s) > 0:
            self._pours(average.t_s, self.finder.fill.mean_g_per_h)
        elif phase == Phase.SOAKING and average.feed_open > 0 and poured_g_per_h >= FLOODS_G_PER_H:
            self._pours(average.t_s, poured_g_per_h)

    def _wait_for_soak(self, average: Average, phase: str, weep: Weep) -> None:
        """Begin to weigh the mass, or let only the gates count until the rack has settled."""
        # Where the record says when the feed was opened, nothing soaks before the fill.
        idle = phase == Phase.IDLE and not self.finder.valve_known
        if (phase == Phase.SOAKING or idle) and math.isfinite(average.mass_g):
            self._begin_mass(average, weep)
        else:
            weep.wait(average.t_s, average.feed_open)
            self._look()

    def _note(self, average: Average) -> None:
        """Put the reading down for curve and balance."""
        if self.follower.start_off_g:
            self.curve.rezero(self.follower.start_off_g)
            self.follower.start_off_g = 0.0
        for amendment in self.follower.steps.amendments:
            self.curve.amend(amendment)
            self.masses.amend(amendment)
        self.follower.steps.amendments.clear()
        self.curve.add(average, self.follower.steps.removed_g, self.evaporation)
        self.masses.add(average.t_s, average.mass_g, self.follower.steps.removed_g)

    def _tell_curve(self) -> None:
        if self.weep is not None and self.mass_running:
            self.curve.top_up = self.weep.filter.top_up

    def _enter(self, phase: str, average: Average) -> None:
        self.phases.append((phase, average.t_s))
        if phase in {Phase.FILLING, Phase.SETTLING}:
            # What was taken for a soak was the quiet before the fill, or before a bowl filled late:
            # start again after it.
            self.mass_running = False
            self.follower = Follower.of(self.settings)
            self.curve.restart()
        if phase == Phase.FILLING:
            self.weep = None
            if all(name != Phase.FILLING for name, _ in self.phases[:-1]):
                self.alarms = of_fill(self.alarms, average.t_s, self.finder.fill.flows_s)
                self.floods.restart()
                self.tally.restart(average.t_s)
        elif phase == Phase.SETTLING:
            self._begin(average)

    def _begin(self, average: Average) -> None:
        # Of a rack that is filled again, what was counted before says nothing of what it does now.
        fills = [t_s for name, t_s in self.phases if name == Phase.FILLING]
        since_s = min(fills[-1] if fills else self.finder.fill.started_s, average.t_s)
        self.weep = Weep(self.settings, average.t_s, self.tally.gates, average.mass_g)
        self.weep.count_from(since_s)
        spacing_s = self.tally.row_s if math.isfinite(self.tally.row_s) else 0.0
        for t_s, gate, count in self.tally.recent(since_s):
            self.weep.hear(gate, t_s, count, spacing_s, math.nan)
        self.soak_s = average.t_s

    def _begin_mass(self, average: Average, weep: Weep) -> None:
        fresh = Weep(self.settings, average.t_s, self.tally.gates, average.mass_g)
        fresh.carry_on(weep)
        self.weep, self.mass_running = fresh, True
        self.soak_s = average.t_s
        self.evaporation.restart()
        self.evaporation.rack_scale = self.finder.fill.rack_scale
        cell = CellPrior.of(fresh.filter)
        self.curve.start(average.mass_g, average.t_s, cell, self.evaporation)

    def _look(self) -> None:
        """Weigh the evidence and raise what has crossed its threshold."""
        self.since_look = 0
        if self.weep is None:
            return
        self.weep.weigh(self.last_row_s, at_once=self.finished)
        for alarm in new_alarms(self.record(), self.weep):
            self._alarm(alarm)

    def _alarm(self, alarm: Alarm) -> None:
        """Each once, but for a flood that has ended and comes again."""
        same_s = [a.t_s for a in self.alarms if a.kind == alarm.kind and a.carb == alarm.carb]
        if not same_s or (alarm.kind == "flood" and max(same_s) < self.floods.stood_s):
            self.alarms.append(alarm)

    def decision(self) -> Decision:
        """Verdict, phases and curve so far."""
        return decision_of(self.record())
