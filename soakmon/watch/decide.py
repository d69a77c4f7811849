"""The decider: readings in, alarms as they arise, a verdict at any time.

The same object serves a running soak (push a few rows at a time) and a recorded one (`decide`). It
owns no clock and no file.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from soakmon.physics.belief import effort, judgement
from soakmon.physics.drops import BETWEEN_LIPS_LOG_SD, USUAL_DROP_G
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.watch.averaging import Average, Averager
from soakmon.watch.balance import chance_of_so_much, contradicts, possible
from soakmon.watch.budget import Budget
from soakmon.watch.closing import tail
from soakmon.watch.conclude import conclude
from soakmon.watch.curve import CurveKeeper
from soakmon.watch.decision import Decision, decision_of
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.fall import FallWatch
from soakmon.watch.filling import FillFinder
from soakmon.watch.flood import FloodWatch
from soakmon.watch.follow import Follower
from soakmon.watch.knock import without_knocks
from soakmon.watch.lifted import without_lifted
from soakmon.watch.mass_log import MassLog
from soakmon.watch.normal import NORMAL_95
from soakmon.watch.phase import Phase
from soakmon.watch.reading import CellPrior
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import REFERENCE_C, Settings
from soakmon.watch.tally import Tally
from soakmon.watch.verdict import Alarm, Verdict, leak_alarm
from soakmon.watch.weep import LEAKS, Weep

# What a gate has caught is what the bottle lost when they differ by no more than drops of different
# lips do, from so many grams on.
_ALIKE = NORMAL_95 * BETWEEN_LIPS_LOG_SD
_DRIPPED_G = judgement(2.0, "g")
_EXCEEDS = judgement(0.05, "chance")
_OF_UNSURE = judgement(0.4, "share")
_STEADY = judgement(0.7, "share")
# The evidence is weighed anew after so many minutes, or at a count.
_LOOK_EVERY = effort(10, "minutes")
# A record is taken in pieces; no result depends on it.
_PIECE = effort(3600, "rows")
# What may be poured in, g for each ml that the bottle is said to hold (judgement).
_HOLDS = judgement(1.2, "g/ml")
# A fill is found so soon (judgement).
_FILL_FOUND_S = judgement(1200.0, "s")
# A bottle is dry when it has been so for so many minutes.
_DRY_STEPS = judgement(3, "minutes")
# And from this share of its fill on, or so many grams, it holds fuel (judgement).
_DRY_SHARE = judgement(0.01, "share")
_DRY_G = judgement(1.0, "g")


class Decider:
    """Online decision over one soak.

    gates: number of drop gates; already_soaking: the readings start after filling.
    """

    def __init__(self, settings: Settings, gates: int, *, already_soaking: bool = False) -> None:
        self.settings = settings
        self.averager = Averager()
        density = float(density_kg_per_m3(settings.fuel, REFERENCE_C)) * 1e-3
        geometry = settings.geometry
        self.bowl_g = density * float(np.mean([b.volume_ml for b in geometry.bowls] or [0.0]))
        rack_g = density * sum(bowl.volume_ml for bowl in geometry.bowls)
        self.hose_g = density * geometry.hose.volume_ml
        self.finder = FillFinder(
            rack_g + self.hose_g,
            settings.settle_s,
            already_soaking=already_soaking or settings.rack_full or rack_g == 0,
            size_known=settings.bowls_measured,
        )
        self.evaporation = Evaporation(settings)
        self.follower = self._follower()
        self.tally = Tally(gates)
        self.curve = CurveKeeper(settings)
        self.masses = MassLog()
        self.weep: Weep | None = None
        self.budget = Budget(settings.false_alarm, gates)
        self.alarms: list[Alarm] = []
        self.phases: list[tuple[str, float]] = [(self.finder.phase, 0.0)]
        self.start_s = float("nan")
        self.soak_s = float("nan")
        self.last_row_s = float("nan")
        self.last_s = float("nan")
        self.since_look = 0
        self.flood: FloodWatch | None = None
        self.sips_g = settings.priors.sip_g * max(len(geometry.bowls), 1)
        self.fall = FallWatch(self.sips_g)
        self.mass_running = False
        self.empty_s = float("nan")
        self.dry_steps = 0
        self.finished = False

    def _follower(self) -> Follower:
        # A bottle that is described too small, or petrol that is counted as water, is no less.
        bottle_g = _HOLDS * self.settings.geometry.bottle.capacity_ml
        return Follower(self.settings.priors.sip_g, bottle_g)

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
            empty_s=self.empty_s,
            bowl_g=self.bowl_g,
            hose_g=self.hose_g,
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
        for part, average in self.averager.cut(rows):
            if average is None:
                self._see(part)
                continue
            self._see(part.part(0, 1))
            self._step(average)
            if len(part) > 1:
                self._see(part.part(1, len(part)))
        self._tell_curve()

    def _see(self, rows: Rows) -> None:
        """Drops and floods in rows as they are."""
        self._drops(rows)
        self.last_row_s = float(rows.t_s[-1])
        self._storms(rows)

    def finish(self) -> None:
        """Take what is still held back in an unfinished averaging step."""
        for average in self.averager.flush():
            self._step(average)
        self._tell_curve()
        self.finished = True
        self._look()

    def _drops(self, rows: Rows) -> None:
        struck, gates = np.nonzero(rows.drops > 0)
        if not len(struck):
            return
        spacing_s = np.diff(rows.t_s, prepend=self.last_row_s)
        alarmed = {alarm.carb for alarm in self.alarms}
        for index, gate in zip(struck.tolist(), gates.tolist(), strict=True):
            t_s, count = float(rows.t_s[index]), int(rows.drops[index, gate])
            shut = rows.feed_open is not None and rows.feed_open[index] == 0
            self.tally.add(gate, t_s, count, float(spacing_s[index]))
            # What drips on while the feed is shut tells causes apart. Where there was no leak yet,
            # a bowl that is still full may show one.
            if self.weep is not None and not (shut and gate + 1 in alarmed):
                dark_ms = math.nan if rows.block_ms is None else float(rows.block_ms[index, gate])
                self.weep.hear(gate, t_s, count, float(spacing_s[index]), dark_ms)
                if gate + 1 not in alarmed:
                    self.since_look = _LOOK_EVERY

    def _step(self, average: Average) -> None:
        before = self.finder.phase
        phase = self.finder.step(average)
        if phase != before:
            self._enter(phase, average)
        if self.finder.ran_over:
            flow = 60 * self.finder.history[-1].g_per_min
            self._alarm(leak_alarm(average.t_s, "flood", None, flow))
        seconds, self.last_s = average.t_s - self.last_s, average.t_s
        # A dry bottle feeds nothing, whatever the valve does, and its mass says nothing.
        dry = self.dry_steps >= _DRY_STEPS
        fed = 0.0 if dry else average.feed_open
        self.evaporation.step(seconds, average.air_c, average.fuel_c, fed)
        self.tally.step(average, seconds)
        self._bottle(average)
        if self.weep is None and phase in {Phase.IDLE, Phase.SOAKING}:
            self._begin(average)
        if not self.mass_running:
            self.masses.add(average.t_s, average.mass_g, 0.0)
        if self.weep is None:
            return
        if not self.mass_running:
            # Where the record says when the feed was opened, nothing soaks before the fill.
            idle = phase == Phase.IDLE and not self.finder.valve_known
            if (phase == Phase.SOAKING or idle) and math.isfinite(average.mass_g):
                self._begin_mass(average)
            else:
                self.weep.wait(average.t_s, average.feed_open)
                self._look()
            return
        if dry:
            self.weep.wait(average.t_s, fed)
        else:
            self.weep.advance(average.t_s, fed, self.evaporation)
            self.follower.step(average, seconds, self.weep, self.evaporation)
        if self.follower.start_off_g:
            self.curve.rezero(self.follower.start_off_g)
            self.follower.start_off_g = 0.0
        self.curve.add(average, self.follower.removed_g, self.evaporation)
        self.masses.add(average.t_s, average.mass_g, self.follower.removed_g)
        self.since_look += 1
        if self.since_look >= _LOOK_EVERY:
            self._look()

    def _tell_curve(self) -> None:
        if self.weep is not None and self.mass_running:
            self.curve.top_up = self.weep.filter.top_up

    def _bottle(self, average: Average) -> None:
        """Note when the bottle has run dry: three minutes in a row, so that no spike empties it."""
        if average.mass_g > _DRY_SHARE * self.settings.geometry.bottle.fill_ml + _DRY_G:
            self.dry_steps = 0
        elif math.isfinite(average.mass_g):
            self.dry_steps += 1
            if self.dry_steps == _DRY_STEPS and not math.isfinite(self.empty_s):
                self.empty_s = average.t_s

    def _enter(self, phase: str, average: Average) -> None:
        self.phases.append((phase, average.t_s))
        if phase == Phase.FILLING:
            # What was taken for a soak was the quiet before the fill: start again after it.
            first = all(name != Phase.FILLING for name, _ in self.phases[:-1])
            self.weep, self.mass_running = None, False
            self.follower = self._follower()
            self.curve.restart()
            if first:
                self.alarms = [one for one in self.alarms if _of_fill(one, average.t_s)]
                self.flood = None
                self.tally.restart(average.t_s)
        elif phase == Phase.SETTLING:
            self._begin(average)

    def _begin(self, average: Average) -> None:
        self.weep = Weep(self.settings, average.t_s, self.tally.gates, average.mass_g)
        self.soak_s = average.t_s
        # Of a rack that is filled again, what was counted before says nothing of what it does now.
        fills = [t_s for name, t_s in self.phases if name == Phase.FILLING]
        since_s = min(fills[-1] if fills else self.finder.started_s, average.t_s)
        self.weep.count_from(since_s)
        for t_s, gate, count in self.tally.recent(since_s):
            self.weep.hear(gate, t_s, count, 1.0, math.nan)

    def _begin_mass(self, average: Average) -> None:
        weep = self.weep
        assert weep is not None
        fresh = Weep(self.settings, average.t_s, self.tally.gates, average.mass_g)
        fresh.carry_on(weep)
        self.weep, self.mass_running = fresh, True
        self.soak_s = average.t_s
        self.evaporation.restart()
        self.evaporation.rack_scale = self.finder.rack_scale
        cell = CellPrior.of(fresh.filter)
        self.curve.start(average.mass_g, average.t_s, cell, self.evaporation)

    def _storms(self, rows: Rows) -> None:
        weep = self.weep
        filling = self.finder.fills_fast
        if weep is None and not filling:
            return
        if self.flood is None:
            drop_g = weep.drop_g[0] if weep is not None and weep.drop_g else USUAL_DROP_G
            self.flood = FloodWatch(drop_g)
        for storm in self.flood.push(rows, filling=filling):
            self._alarm(leak_alarm(storm.t_s, "flood", storm.gate + 1, storm.rate_g_per_h))
        full = self.finder.phase in {Phase.SETTLING, Phase.SOAKING}
        ends = self.finder.phase == Phase.SETTLING and self.finder.dies_away
        if not full or ends or self.finder.may_be_filling(self.last_row_s):
            self.fall.restart()
        elif not any(alarm.kind == "flood" for alarm in self.alarms):
            self._fall(rows)

    def _fall(self, rows: Rows) -> None:
        self.fall.spare_g = max(self.sips_g, self.finder.spare_g(self.last_row_s))
        self.fall.rush_g = max(self.sips_g, self.finder.rush_g(self.last_row_s))
        fall = self.fall.push(rows)
        if fall is not None:
            self._alarm(leak_alarm(fall.t_s, "flood", None, fall.rate_g_per_h))

    def _look(self) -> None:
        """Weigh the evidence and raise what has crossed its threshold."""
        self.since_look = 0
        weep = self.weep
        if weep is None:
            return
        weep.weigh(self.last_row_s, at_once=self.finished)
        mass = weep.mass_log_ratio()
        alarmed = {alarm.carb for alarm in self.alarms}
        loses = not alarmed and self._loses(weep, mass)
        # At the end counts may account for a loss that few tight benches have.
        exceeds = self.finished and self.mass_running
        exceeds = exceeds and chance_of_so_much(self.record(), weep) < _EXCEEDS
        for index, gate in enumerate(weep.gates):
            if index + 1 in alarmed or not (
                gate.has_news(weep.weighed_s) or ((loses or exceeds) and gate.count)
            ):
                continue
            rate = 0.0
            if self._drips(weep, mass, index, loses=loses):
                joint = weep.under_gate(index, mass)[1]
                rate = float(LEAKS[int(joint.max(axis=0).argmax())])
            elif loses or exceeds or None in alarmed:
                rate = self._accounts_for(weep, index)
            if rate:
                self._alarm(leak_alarm(self._now(), "weep", index + 1, rate))
                alarmed.add(index + 1)
        if loses and not alarmed:
            rate = float(LEAKS[int(mass.max(axis=0).argmax())])
            self._alarm(leak_alarm(self._now(), "weep", None, rate))

    def _drips(self, weep: Weep, mass: Floats, index: int, *, loses: bool) -> bool:
        """Whether a gate counts drops of fuel; loses: the mass by itself says that fuel leaves.

        Where it does, regular counts are not water, however late the mass was to follow them.
        """
        surely = -np.log(self.budget.weep_gate)
        # A flood splashes: beside it drops at other gates need the mass to bear them out.
        beside = bool(self.alarms) and all(alarm.kind == "weep" for alarm in self.alarms)
        if weep.gate_ratio(index, mass, beside=beside) > surely:
            return True
        return loses and weep.under_gate(index, None)[0] > surely

    def _accounts_for(self, weep: Weep, index: int) -> float:
        """Rate (g/h) of a gate whose drops are just what the bottle surely loses; else 0.

        However they come: rows may be too long to show that they keep time, and some drops keep
        none. But they come all the time, and what the sun or a fly makes comes in bursts.
        """
        dripped_g = self.tally.since(index, self.soak_s) * weep.drop_g[index]
        steady_g = self.tally.steady(index, self.last_row_s) * weep.drop_g[index]
        expected = self.curve.expected()
        lost_g = (self.curve.observed_g() or 0.0) - expected.best
        unsure_g = expected.high - expected.low
        alike = abs(lost_g - dripped_g) < _ALIKE * dripped_g + unsure_g / 2
        enough = (
            dripped_g > max(_DRIPPED_G, _OF_UNSURE * unsure_g) and steady_g > _STEADY * dripped_g
        )
        if not alike or not enough:
            return 0.0
        return dripped_g / max((self.last_row_s - self.soak_s) / 3600, 0.1)

    def _loses(self, weep: Weep, mass: Floats) -> bool:
        """Whether the mass by itself says that fuel leaves.

        The ratio finds what begins late, the tail what is small: it pays nothing for the rates that
        a leak might have had.
        """
        if weep.lost_g(mass) < weep.strays_g:
            return False
        record = self.record()
        enough = -np.log(self.budget.weep_mass)
        small = tail(record, weep) < self.budget.running
        if not (small or weep.unseen(mass) > enough) or contradicts(record, weep, mass):
            return False
        borne = possible(record, weep, mass)
        return weep.unseen(borne) > enough or (small and borne.max() == mass.max())

    def _now(self) -> float:
        return self.last_row_s

    def _alarm(self, alarm: Alarm) -> None:
        if not any(a.kind == alarm.kind and a.carb == alarm.carb for a in self.alarms):
            self.alarms.append(alarm)

    def verdict(self) -> Verdict:
        """The verdict on what has been seen so far."""
        return conclude(self.record())

    def decision(self) -> Decision:
        """Verdict, phases and curve so far."""
        return decision_of(self.record())


def _of_fill(alarm: Alarm, found_s: float) -> bool:
    """Whether an alarm is not of the quiet before a fill that was found at found_s.

    A bowl that overflows while the rack fills may do so minutes before the fill is plain.
    """
    overflows = alarm.kind == "flood" and alarm.carb is not None
    return alarm.t_s > found_s - (_FILL_FOUND_S if overflows else 0.0)


def watched(
    rows: Rows,
    settings: Settings,
    *,
    phase: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> RunRecord:
    """What is learnt of a whole recorded run. phase="soaking": it starts after filling."""
    decider = Decider(settings, rows.gates, already_soaking=phase == str(Phase.SOAKING))
    for start in range(0, len(rows), _PIECE):
        decider.push(rows.part(start, start + _PIECE))
        if progress is not None:
            progress(min((start + _PIECE) / len(rows), 1.0))
    decider.finish()
    return decider.record()


def decide(
    rows: Rows,
    settings: Settings,
    *,
    phase: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Decision:
    """Decide over a recorded run. phase="soaking": it starts after filling."""
    return decision_of(watched(rows, settings, phase=phase, progress=progress))
