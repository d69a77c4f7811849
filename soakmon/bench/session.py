"""One soak, from start to verdict: phases, the decider, what is recorded and what the valve does.

idle → preflight → filling → settling → soaking → ended, with isolating (feed shut on purpose) from
the last three. The session owns no thread and no clock: rows and commands come in, in order.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import asdict, dataclass, replace

import numpy as np

from soakmon.bench.ails import Ailing
from soakmon.bench.edges import Drop
from soakmon.bench.feed import Feed
from soakmon.bench.forecast import Forecast
from soakmon.bench.preflight import PREFLIGHT_S, Check, check_readings, fit
from soakmon.bench.teller import new_uid
from soakmon.config import Bench
from soakmon.records.events import (
    AlarmsSeen,
    CheckResult,
    DropTimes,
    EventForm,
    FeedChange,
    PhaseChange,
    PreflightChecks,
    Recorded,
)
from soakmon.records.shut import NO_FLOW, with_bench
from soakmon.records.verdicts import unjudged
from soakmon.texts import say
from soakmon.watch import decay
from soakmon.watch.averaging import join
from soakmon.watch.decider import Decider
from soakmon.watch.decision import Decision
from soakmon.watch.phase import Phase
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Alarm, Fault, Outcome

log = logging.getLogger(__name__)
_NO_FLOW_S = 600.0
_LEAK = "leak"


@dataclass(frozen=True, slots=True)
class Interruption:
    """The service was not running until t_s, for gap_s; known: whether that is the true length."""

    t_s: float
    gap_s: float
    known: bool


RUNNING = frozenset({Phase.FILLING, Phase.SETTLING, Phase.SOAKING})
Recorder = Callable[[float, Recorded], None]


class Session:
    """A running soak.

    record: called with t_s and what every event holds; feed: the hand on the valve; machine:
    more checks that preflight makes; settings: the bench's, with what the records say (None: the
    bench's alone); conclude: called once, when the soak has its verdict, to write it down.
    """

    def __init__(
        self,
        bench: Bench,
        gates: int,
        record: Recorder,
        feed: Feed,
        machine: Callable[[], list[Check]] = list,
        *,
        settings: Settings | None = None,
        conclude: Callable[[Session], None] = lambda session: None,
    ) -> None:
        self.bench = bench
        self.settings = settings or bench.settings()
        self.gates = gates
        self.decider = Decider(self.settings, gates)
        self.record = record
        self.feed = feed
        self.machine = machine
        self.conclude = conclude
        self.phase = Phase.PREFLIGHT
        self.checks: list[Check] = []
        self.rows: list[Rows] = []
        self.last: Rows | None = None
        self.t_s = 0.0
        self.opened_s: float | None = None
        self.first_opened_s: float | None = None
        self.isolated_s: float | None = None
        self.reason = ""
        self.shut_itself = False
        self.shut_for: set[str] = set()
        self.alarms: list[Alarm] = []
        self.acknowledged: dict[str, str] = {}  # marks of alarms, with who it was
        self.known: set[Alarm | Fault] = set()
        self.decision: Decision | None = None
        self.interruptions: list[Interruption] = []
        self.forecast = Forecast()
        self.ailing = Ailing(gates, 3600 * bench.service.soak_h)

    def take(self, row: Rows, drops: list[Drop] | None = None) -> None:
        """Take the next row, and the drops of its second with their times."""
        if self.phase is Phase.ENDED:
            return
        self.t_s, self.last = float(row.t_s[-1]), row
        if drops:
            # Carb, when, and for how many milliseconds its beam was dark.
            drop_times = [(d.gate + 1, round(d.t_s, 3), round(1e3 * d.dark_s, 2)) for d in drops]
            self.record(self.t_s, DropTimes(drops=tuple(drop_times)))
        self.decider.push(row)
        self.forecast.take(self.t_s, float(row.mass_g[-1]))
        self.news()
        self._ails(row)
        if self.phase is Phase.PREFLIGHT:
            self._preflight(row)
        elif self.phase is Phase.ISOLATING:
            self._isolating()
        else:
            self._running()

    def _ails(self, row: Rows) -> None:
        """Trouble that costs the soak its point is an alarm, once; the feed may stay open."""
        self.ailing.take(row)
        if self.phase is Phase.PREFLIGHT:
            return
        known = {(alarm.code, alarm.carb) for alarm in self.alarms}
        for ail in self.ailing.now(self.learnt):
            if ail.wakes and (ail.code, ail.carb) not in known:
                self.alarmed(replace(ail.alarm(self.t_s), uid=new_uid()))

    @property
    def learnt(self) -> RunRecord:
        """What has been learnt of the run so far; used up before the next row."""
        return self.decider.record()

    def write(self, event: EventForm) -> None:
        """Record what has happened now."""
        self.record(self.t_s, event)

    def news(self) -> None:
        """Record alarms and faults that the decider has found since the last row."""
        learnt = self.learnt
        alarms = [alarm for alarm in learnt.alarms if alarm not in self.known]
        faults = [fault for fault in learnt.faults if fault not in self.known]
        self.known.update(alarms, faults)
        for alarm in alarms:
            self.take_alarm(alarm)
        for fault in faults:
            self.record(fault.t_s, fault)

    def feed_again(self, rows: Rows) -> None:
        """Rows that the journal holds already: the decider learns, and nothing is recorded."""
        self.decider.push(rows)
        self.t_s = float(rows.t_s[-1])

    def know_recorded(self) -> None:
        """What the decider found and the journal holds is no news; alarms after it still are.

        Rows may be on disk whose alarm is not. Fed in pieces, the decider may date an alarm
        otherwise, so they are told apart by what they say.
        """
        held = Counter((alarm.kind, alarm.carb) for alarm in self.alarms if not alarm.code)
        self.known.update(self.learnt.faults)
        for alarm in self.learnt.alarms:
            held[alarm.kind, alarm.carb] -= 1
            if held[alarm.kind, alarm.carb] < 0:
                return
            self.known.add(alarm)

    def take_alarm(self, alarm: Alarm) -> None:
        """An alarm of the decider: a leak shuts the feed before anybody is told."""
        alarm = replace(alarm, uid=new_uid())
        reason = say("session.alarm", alarm=alarm.text)
        if alarm.leaks:
            self.feed.shut(reason, _LEAK, asdict(alarm))
        self.alarmed(alarm)
        if alarm.leaks:
            self.isolate(reason, itself=True)

    def alarmed(self, alarm: Alarm, *, shut: bool = False) -> None:
        """An alarm that was raised; shut: the feed was shut for it, and the decay is watched."""
        self.alarms.append(alarm)
        self.record(alarm.t_s, alarm)
        if shut:
            self.isolate(alarm.text, itself=True)

    def _preflight(self, row: Rows) -> None:
        self.rows.append(row)
        if self.t_s - float(self.rows[0].t_s[0]) < PREFLIGHT_S:
            return
        checks = check_readings(join(self.rows), self.bench) + self.machine()
        self.rows.clear()
        self.checks = checks
        results = tuple(CheckResult(**asdict(check)) for check in checks)
        self.write(PreflightChecks(checks=results))
        if not fit(checks):
            failed = [f"{c.name}: {c.text}" for c in checks if not (c.passed or c.warning)]
            self.end(say("session.preflight_failed") + "; ".join(failed))
            return
        # Before the valve moves: the keeper shuts a feed that is open in any other phase.
        self.phase = Phase.FILLING
        if why := self.open_feed():
            self.end(say("service.feed_stays_shut", why=why))
            return
        self._enter(Phase.FILLING)

    def open_feed(self) -> str:
        """Have the valve opened in a phase in which it may be; why it stays shut, or ""."""
        if why := self.feed.open():
            return why
        self.opened(self.t_s)
        self.write(FeedChange(open=True))
        return ""

    def opened(self, t_s: float) -> None:
        """The feed was opened, for the first time or again."""
        self.opened_s = t_s
        if self.first_opened_s is None:
            self.first_opened_s = t_s

    def _running(self) -> None:
        phase = self.readings_phase
        if phase in {Phase.SETTLING, Phase.SOAKING} and phase is not self.phase:
            self._enter(phase)
        opened_s = self.opened_s if self.opened_s is not None else self.t_s
        idle = phase is Phase.IDLE and self.phase is Phase.FILLING
        if idle and self.t_s - opened_s > _NO_FLOW_S:
            text = say("session.no_fuel_flows_tap_shut")
            self.take_alarm(Alarm(self.t_s, "starved", None, None, text, NO_FLOW))
            self.end(text)
        elif self.phase is Phase.SOAKING and self.soaked_s >= 3600 * self.bench.service.soak_h:
            self.end(say("session.time_up"))

    @property
    def ended(self) -> bool:
        """Whether the soak is over."""
        return self.phase is Phase.ENDED

    @property
    def filled(self) -> bool:
        """Whether the rack is full, as far as the readings tell."""
        return self.readings_phase in {Phase.SETTLING, Phase.SOAKING}

    @property
    def readings_phase(self) -> Phase:
        """Where the readings alone say that the soak is."""
        return Phase(str(self.learnt.finder.phase))

    @property
    def soaked_s(self) -> float:
        """Time since the soak's clock started; 0 before."""
        learnt = self.learnt
        running = learnt.mass_running and np.isfinite(learnt.soak_s)
        return self.t_s - learnt.soak_s if running else 0.0

    def isolate(self, reason: str, *, itself: bool = False) -> None:
        """Shut the feed and watch what happens. itself: the bench does it, nobody has asked."""
        if self.phase in RUNNING:
            self.feed.shut(reason)
            self._isolated(reason, itself=itself)

    def pause(self, reason: str) -> None:
        """The feed was shut for a while, and the bench itself may open it again."""
        if self.phase in RUNNING:
            self.feed.pause()
            self._isolated(reason, itself=True)

    def _isolated(self, reason: str, *, itself: bool) -> None:
        self.reason, self.shut_itself = reason, itself
        if itself:
            self.shut_for.add(reason)
        self.isolated_s = self.t_s
        self.write(FeedChange(open=False, reason=reason, itself=itself))
        self._enter(Phase.ISOLATING)

    def _isolating(self) -> None:
        isolated_s = self.isolated_s if self.isolated_s is not None else self.t_s
        leaks = [alarm for alarm in self.alarms if alarm.leaks]
        shut_s = self.t_s - isolated_s
        # A rack that was not full yet has not begun to soak: then the time is that of the shutting.
        over = max(self.soaked_s, shut_s) >= 3600 * self.bench.service.soak_h
        least_s = 60 * self.bench.service.isolate_min
        enough = shut_s >= self._watch_s(leaks, isolated_s) or self._silent(leaks)
        if (leaks and enough and shut_s >= least_s) or (over and not leaks):
            self.end(say("session.isolated_after", reason=self.reason))

    @property
    def left_s(self) -> float:
        """s until it ends by itself, at most; the feed shut for a leak: until its decay tells."""
        leaks = [alarm for alarm in self.alarms if alarm.leaks]
        if self.phase is Phase.ISOLATING and leaks and self.isolated_s is not None:
            watched_s = max(
                self._watch_s(leaks, self.isolated_s), 60 * self.bench.service.isolate_min
            )
            return max(watched_s - (self.t_s - self.isolated_s), 0.0)
        return max(3600 * self.bench.service.soak_h - self.soaked_s, 0.0)

    def _watch_s(self, leaks: list[Alarm], isolated_s: float) -> float:
        """How long the decay is watched: long enough for the slowest leak to show its cause."""
        left_s = 3600 * self.bench.service.soak_h - (self.soaked_s - (self.t_s - isolated_s))
        telling = [
            decay.telling_s(a.leak_g_per_h, seen=a.carb is not None, left_s=left_s)
            for a in leaks
            if a.leak_g_per_h
        ]
        return max(telling, default=0.0)

    def _silent(self, leaks: list[Alarm]) -> bool:
        """Whether every leak that gates saw has stopped: watching on tells nothing more."""
        tally = self.learnt.tally
        return all(
            a.carb is not None
            and a.leak_g_per_h is not None
            and decay.stopped(self.t_s - tally.times[a.carb - 1][-1], a.leak_g_per_h)
            for a in leaks
        )

    def resume_feed(self) -> str:
        """Go on after an isolation; why the feed stays shut, or ""."""
        phase = self.readings_phase
        self.phase = phase if phase in RUNNING else Phase.FILLING
        if why := self.open_feed():
            self.phase = Phase.ISOLATING
            return why
        self._enter(self.phase)
        return ""

    def acknowledge(self, uids: Collection[str] | None = None, by: str = "") -> int:
        """Mark alarms as seen by somebody; how many were new. uids: which (None: all)."""
        seen = [a for a in self.unacknowledged if uids is None or a.uid in uids]
        self.acknowledged |= dict.fromkeys((alarm.uid for alarm in seen), by)
        if seen:
            places = tuple(self.alarms.index(alarm) for alarm in seen)
            uids = tuple(alarm.uid for alarm in seen)
            self.write(AlarmsSeen(alarms=places, uids=uids, by=by))
        return len(seen)

    @property
    def unacknowledged(self) -> list[Alarm]:
        """Alarms that nobody has acknowledged."""
        return [alarm for alarm in self.alarms if alarm.uid not in self.acknowledged]

    def end(self, reason: str) -> None:
        """Shut the feed and conclude."""
        if self.phase is Phase.ENDED:
            return
        self.feed.shut(say("session.soak_has_ended", reason=reason))
        self.close(reason)

    def close(self, reason: str) -> None:
        """Conclude what was seen, without touching the feed."""
        self.decision = self._judged(reason)
        self.phase, self.reason = Phase.ENDED, reason
        self.conclude(self)

    def _judged(self, reason: str) -> Decision:
        try:
            self.decider.finish()
            self.news()
            decision = self.decider.decision()
        except Exception as error:  # whatever it was: every soak ends with a verdict
            log.exception("the readings cannot be judged")
            return unjudged(self.t_s, self.gates, error)
        unopened = reason if self.opened_s is None else ""
        verdict = with_bench(decision.verdict, self.alarms, self.shut_for, unopened)
        return replace(decision, verdict=verdict)

    def _enter(self, phase: Phase) -> None:
        self.phase = phase
        self.write(PhaseChange(phase=phase, reason=self.reason))

    def dry_at_s(self) -> float | None:
        """When the bottle will be empty (t_s) at the loss rate of the last hours, or None."""
        return self.forecast.dry_at_s(self.t_s) if self.phase is Phase.SOAKING else None

    @property
    def outcome(self) -> Outcome | None:
        """The verdict when there is one."""
        return self.decision.verdict.outcome if self.decision is not None else None
