"""What must hold whatever breaks, looked at after every step and at the end of a history."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from soakmon.bench.alarms import Wrong
from soakmon.bench.guard import Code
from soakmon.bench.session import RUNNING
from soakmon.records.journal import Event, Journal, SoakEntry
from soakmon.records.latch import NAME as LATCH
from soakmon.records.latch import Latch
from soakmon.records.recall import recall
from soakmon.records.verdict_form import VerdictForm
from soakmon.watch.verdict import Alarm
from tests.faults.disk import Note, State
from tests.faults.flood import Flood, gist
from tests.faults.life import Life, alarms_of
from tests.faults.parts import Cell, Gate, Valve

_TOLD_WITHIN_S = 10.0
# An address that failed is tried again after a minute, one that hung after a quarter of an hour.
_BACK_S = {"refuses": 65.0, "hangs": 950.0}
_LOST_S = 15.0
# And some seconds in which the service starts.
_REOPENS_WITHIN_S = 1800.0 + 60.0
# What filling may take too much, and the total after it, with a minute of the slowest reading. To
# that comes what the rack held already when somebody began to fill it: a leak may take its place.
_MAY_ESCAPE_G = 110.0
_GUARD = frozenset(map(str, Code))
_LATCHING = _GUARD | {Wrong.FAILED, Wrong.THREAD}
# Readings that are missing for as long as the guard allows, and what its medians remember.
_BLIND_S = 120.0 + 130.0
# Waits between tries are at most 8 s here; a connection that hangs is given up after a minute.
_BROKER_BACK_S = {"gone": 0.0, "refuses": 0.0, "hangs": 75.0, "throws away": 10.0}
_BROKER_WITHIN_S = 40.0
# What the broker keeps is as old as the main loop's last turn.
_TICKS = 6


class Watch:
    """Looks at a life; resolved: alarms that somebody at the bench knew when he opened the feed."""

    def __init__(self, life: Life, *, leaks: bool) -> None:
        self.life, self.leaks = life, leaks
        life.looks = self.sampled
        self.resolved: set[str] = set()
        self.known: set[str] = set()
        self.floods: dict[str, Flood] = {}
        self.fresh_s = float("-inf")
        self.phone_from_s = float("-inf")
        self.ill: list[tuple[float, float]] = []
        self.begun: set[int] = set()
        self.escaped_g = self.held_g = 0.0
        self.seen_rows = 0
        self.seen_deaths = self.seen_openings = 0
        self.sighted_s = self.broker_from_s = float("-inf")
        self.damaged_s = float("-inf")
        self.at_broker: dict[str, float] = {}
        self.given_up: set[str] = set()
        self.said: list[tuple[Any, ...]] = []
        self.confirmed = self.fed = False
        self.died_s: float | None = None

    def person_opened(self, known: set[str]) -> None:
        """Somebody has confirmed the cautions, knowing of these alarms."""
        self.resolved |= known
        for uid in known & self.floods.keys():
            # Who is at the bench and begins anew is not told any more of what was.
            self.floods[uid].told = True
        self.fresh_s = self.life.world_s()
        self.confirmed, self.died_s = True, None
        rack = self.life.faulty.world.world
        self.escaped_g = rack.leaked_g
        self.held_g = float(rack.bowls_g.sum() + rack.line_g.sum())

    def shut(self) -> None:
        """Shut by somebody, or for good: it takes somebody to open it again.

        Where the note about it could not be written, a death may lose it.
        """
        if self.life.disk.note.state is Note.WELL:
            self.confirmed = False

    def acknowledged(self) -> None:
        """From here on a flood is told anew."""
        self.fresh_s = self.life.world_s()

    def lost_journal(self) -> None:
        """What it told is known from the note alone, if that can be read."""
        self.damaged_s = self.life.world_s()
        if self.life.disk.note.state is not Note.WELL:
            self.lost_note()

    def lost_note(self) -> None:
        """What journal and note have both lost nobody can tell any more."""
        for flood in self.floods.values():
            flood.told = flood.told or flood.known_s <= self.damaged_s

    def stood_still(self) -> None:
        """What the broker is to be told can only go out from here on."""
        self.broker_from_s = self.life.world_s()

    def alarms(self) -> list[Alarm]:
        """All alarms that the service has raised and that are not over."""
        service = self.life.service
        return [] if service is None else alarms_of(service)

    def sampled(self) -> None:
        """After a sample, before anybody else has had a turn: the sampler alone keeps it shut."""
        life, service = self.life, self.life.service
        assert service is not None
        if service.latch.reason is not None and life.faulty.faults.valve is not Valve.RAISES:
            assert not life.faulty.commanded, f"(a) open though latched: {service.latch.reasons}"

    def look(self, *, lived: bool) -> None:
        """After a step."""
        life = self.life
        now_s = life.world_s()
        # What the worker has taken in is committed by the worker.
        if life.disk.state is not State.WELL or life.stuck:
            self.ill.append((now_s - life.every_s, now_s))
        if life.phone.way != "up":
            self.phone_from_s = now_s + _BACK_S[life.phone.way]
        assert not life.fell, f"cannot start: {life.fell}"
        self._openings()
        if life.service is None:
            assert not life.faulty.commanded, "(a) open though the service is down"
            return
        self.known |= {alarm.uid for alarm in self.alarms()}
        self._new_floods(now_s)
        if lived:
            self._feed()
            self._sensed(now_s)
            self._latched()
            self._floods(now_s)
            self._broker(now_s)
            self._status()
        self.said = [*self.said[-_TICKS:], gist(life.service.status.as_dict())]
        self.seen_rows = len(life.rows)

    def _openings(self) -> None:
        """(a) Opened only for somebody who confirmed the cautions, in this life of the service or
        in one that died with the feed open, not long ago.
        """
        life = self.life
        opened = [(at_s, 0) for at_s in life.faulty.openings[self.seen_openings :]]
        ways = zip(life.deaths, life.left_open, strict=True)
        died = [(at_s, 1 + left_open) for at_s, left_open in ways][self.seen_deaths :]
        self.seen_openings, self.seen_deaths = len(life.faulty.openings), len(life.deaths)
        for at_s, death in sorted(opened + died):
            if death:
                # A start that is on disk is a start, though its valve had not moved yet.
                self.confirmed = self.confirmed and (self.fed or death > 1)
                self.died_s = at_s
                continue
            assert self.confirmed, f"(a) opened at {at_s} and nobody was there"
            away_s = 0.0 if self.died_s is None else at_s - self.died_s
            assert away_s < _REOPENS_WITHIN_S, f"(a) opened after {away_s} s without power"
            self.fed, self.died_s = True, None
        session = life.service.session if life.service is not None else None
        if life.service is not None and (session is None or session.phase not in RUNNING):
            self.fed = False

    def _feed(self) -> None:
        """(a) Never open with a leak or a trip of the guard that nobody has looked at."""
        life, service = self.life, self.life.service
        assert service is not None
        alarms = self.alarms()
        if not life.faulty.commanded:
            return
        if life.faulty.faults.valve is Valve.RAISES:
            assert service.feed.trouble or not self._shutting(alarms)
            return
        self._escapes()
        assert not self._shutting(alarms), f"(a) open though {self._shutting(alarms)}"
        session = service.session
        assert session is not None, "(a) open without a soak"
        assert session.phase in RUNNING, f"(a) open while {session.phase}"

    def _sensed(self, now_s: float) -> None:
        """(a) What only the guard looks at: vapour, and a cell that says nothing."""
        life = self.life
        assert life.service is not None
        if not life.faulty.blind:
            self.sighted_s = now_s
        if life.faulty.faults.valve is Valve.RAISES or not life.faulty.commanded:
            self.sighted_s = now_s
            return
        assert not life.faulty.world.vapour, "(a) open in vapour"
        blind_s = now_s - max(self.sighted_s, life.born_s)
        assert blind_s <= _BLIND_S + life.every_s, f"(a) open and blind for {blind_s:.0f} s"

    def _latched(self) -> None:
        """(a) What shut it is latched, in memory and on disk, and was told out of memory."""
        life, service = self.life, self.life.service
        assert service is not None
        found = [a for a in self.alarms() if a.leaks or a.code in _LATCHING]
        open_ones = [alarm.text for alarm in found if alarm.uid not in self.resolved]
        if open_ones:
            assert service.latch.reasons, f"(a) not latched: {open_ones}"
            on_disk = Latch(life.folder / LATCH)
            if life.disk.note.state is Note.WELL:
                assert on_disk.reasons, f"(a) not latched on disk: {open_ones}"
            on_disk.close()
        new = {alarm.uid for alarm in self.alarms()} - life.inherited
        assert new <= life.heard, "(b) an alarm that memory has not told"

    def _broker(self, now_s: float) -> None:
        """(b) Alarms come to the broker; (e) what it keeps is what was so a moment ago."""
        life, service = self.life, self.life.service
        assert service is not None
        assert not life.board.outlets["mqtt"].restarts, life.board.outlets["mqtt"].last_error
        ill = life.broker.broke or life.broker.way
        if ill != "up":
            self.broker_from_s = now_s + _BROKER_BACK_S[ill]
        life.broker.broke = ""
        known = {alarm.uid for alarm in self.alarms()}
        for uid in known - self.at_broker.keys():
            self.at_broker[uid] = now_s
        up_s = now_s - max(self.broker_from_s, life.born_s)
        if up_s > _BROKER_WITHIN_S:
            late = [u for u in known if now_s - self.at_broker[u] > _BROKER_WITHIN_S]
            missing = set(late) - set(life.broker.alarms) - self.given_up
            assert not missing, f"(b) not at the broker: {missing}"
            self._kept(service.status.as_dict())

    def _kept(self, status: dict[str, Any]) -> None:
        kept = gist(self.life.broker.kept["state"])
        said = [*self.said, gist(status)]
        assert kept in said, f"(e) the broker keeps {kept}, and it is {said}"
        assert self.life.broker.kept["availability"]["state"] == "online"

    def _escapes(self) -> None:
        """(a) However it is broken, a bench that can see does not let a flood run."""
        life = self.life
        out_g = life.faulty.world.world.leaked_g - self.escaped_g
        sees = Cell.FROZEN not in life.faulty.faults.ever
        may_g = _MAY_ESCAPE_G + self.held_g
        assert out_g <= may_g or not sees, f"(a) {out_g:.0f} g ran out with the feed open"

    def _shutting(self, alarms: list[Alarm]) -> list[str]:
        service = self.life.service
        assert service is not None
        # What had happened when somebody confirmed the cautions is forgiven until the next reading.
        forgiven = service.feed.forgiven
        levels = [t.text for t in service.sampling.guard.must_be_shut if t.code not in forgiven]
        return levels + [
            alarm.text
            for alarm in alarms
            if (alarm.leaks or alarm.code in _GUARD) and alarm.uid not in self.resolved
        ]

    def _new_floods(self, now_s: float) -> None:
        """Note them; one that is found again joins what people know and have not acknowledged."""
        for alarm in self.alarms():
            if alarm.kind == "flood" and alarm.uid not in self.floods:
                joins = any(
                    flood.told
                    and flood.known_s >= self.fresh_s
                    and (flood.carb == alarm.carb or None in {flood.carb, alarm.carb})
                    for flood in self.floods.values()
                )
                self.floods[alarm.uid] = Flood(now_s, alarm.carb, joins)

    def _floods(self, now_s: float) -> None:
        """(b) Every flood is on the panel at once, and at the phone within ten seconds."""
        life = self.life
        from_s = max(self.phone_from_s, life.born_s)
        for uid, flood in self.floods.items():
            flood.told = flood.told or any(
                title.upper().startswith("FLOOD") and at_s >= min(self.fresh_s, flood.known_s)
                for at_s, title, _ in life.phone.got
            )
            late_s = now_s - max(flood.known_s, from_s)
            assert flood.told or late_s <= _TOLD_WITHIN_S + life.every_s, f"(b) not told: {uid}"
        service = life.service
        assert service is not None
        waiting = service.session.unacknowledged if service.session is not None else []
        if any(alarm.kind == "flood" for alarm in waiting) and not life.faulty.faults.panel:
            assert life.faulty.world.buzzer, "(b) a flood, and the bench is silent"

    def _status(self) -> None:
        """(e) What the status says is what is."""
        life, service = self.life, self.life.service
        assert service is not None
        if len(life.rows) == self.seen_rows or service.worker.failures or life.stuck:
            return
        soak, t_s, _, _ = life.rows[-1]
        said = service.status
        assert said.t_s >= round(t_s, 1), "(e) an old status"
        assert said.feed_open == life.faulty.commanded, "(e) the status has another feed"
        assert said.soak == soak

    # -- the end ---------------------------------------------------------------------------------

    def look_back(self) -> None:
        """At the end of the history, with all mended and the last soak ended."""
        journal = Journal(self.life.folder / "journal.db")
        try:
            assert journal.check() == "ok"
            soaks = journal.soaks()
            # What was on a page that is damaged may be gone.
            gone = self.begun - {entry.id for entry in soaks}
            assert not gone or self.life.damaged, f"(c) a soak that began is gone: {gone}"
            assert not journal.owed(), "(c) a report that nobody makes"
            for entry in soaks:
                self._concluded(journal, entry)
                self._rows(journal, entry.id)
            if self.life.job is not None and not self.life.damaged:
                assert self.life.in_job() == [entry.id for entry in soaks], "(c) entries of the job"
                self._again(soaks)
        finally:
            journal.close()

    def _again(self, soaks: list[SoakEntry]) -> None:
        """(f) Judged again from what the journal holds, every soak has the verdict that it has."""
        for entry in soaks:
            found = recall(self.life.folder / "journal.db", entry.id)
            given = found.decision.verdict
            assert found.again.outcome is given.outcome, f"(f) {given.reason}; {found.again.reason}"

    def _concluded(self, journal: Journal, entry: Any) -> None:
        """(c) One verdict, one conclusion for job and report; (f) and the right one."""
        assert entry.verdict is not None, "(c) no verdict"
        events = journal.read_events(entry.id)
        kinds = [event.kind for event in events]
        phases = [event.data["phase"] for event in events if event.kind == "phase"]
        if not self.life.damaged:
            assert kinds.count("verdict") == 1, f"(c) {kinds.count('verdict')} verdicts"
            assert phases.count("ended") == 1, f"(c) {phases.count('ended')} ends"
            assert kinds.count("curve") == 1, f"(c) {kinds.count('curve')} curves"
            assert entry.id in self.life.reports, "(c) no report"
        said = [event.data for event in events if event.kind == "verdict"]
        assert said in ([], [entry.verdict.as_dict()]), "(c) soak and event have different verdicts"
        self._judged(entry.verdict, events)

    def _judged(self, verdict: VerdictForm, events: list[Event]) -> None:
        """(f) The verdict as without the faults, or `not_proven` that names what was wrong."""
        outcome, reason = verdict.verdict, verdict.reason
        ever = self.life.faulty.faults.ever
        innocent = not self.leaks and not ever & {Gate.NOISY, Valve.LEAKS, Valve.OPENS}
        if innocent:
            assert outcome != "leaking", f"(f) {verdict}"
        assert not (self.leaks and outcome == "tight"), "(f) a leak is called tight"
        alarms = [event.data for event in events if event.kind == "alarm"]
        shut_for = {
            event.data["reason"]
            for event in events
            if event.kind == "feed" and event.data.get("itself")
        }
        named = {alarm["text"] for alarm in alarms if alarm["code"]} & shut_for
        if outcome != "leaking" and named:
            assert any(text in reason for text in named), f"(f) {reason!r} names none of {named}"
        if outcome == "not_proven":
            assert reason, "(f) not proven, and no reason"
        if any(alarm["kind"] == "flood" and alarm["code"] for alarm in alarms):
            assert outcome != "tight", "(f) a flood that the guard saw is called tight"

    def _rows(self, journal: Journal, soak: int) -> None:
        """(d) At most 15 s lost at a death, none twice, none under another soak."""
        made = {round(t_s, 2): (m, at) for s, t_s, m, at in self.life.rows if s == soak}
        kept = journal.read_rows(soak)
        times = [] if kept is None else [round(float(t_s), 2) for t_s in kept.t_s]
        assert all(np.diff(times) > 0), "(d) rows twice"
        for index, t_s in enumerate(times):
            assert t_s in made, f"(d) a row of another soak at {t_s}"
            mass_g = float(kept.mass_g[index]) if kept is not None else math.nan
            assert (
                mass_g == made[t_s][0]
                or abs(mass_g - made[t_s][0]) < 0.01
                or (math.isnan(mass_g) and math.isnan(made[t_s][0]))
            )
        for t_s in made.keys() - set(times):
            at_s = made[t_s][1]
            lost = self._may_be_lost(at_s) or self.life.damaged
            assert lost, f"(d) lost: {t_s} of soak {soak}"

    def _may_be_lost(self, at_s: float) -> bool:
        """Whether a death came soon after, or disk or worker had kept what waited."""
        longest_s = _LOST_S + 2 * self.life.every_s
        return any(
            0 <= death_s - at_s <= longest_s
            or any(at_s <= until_s and from_s <= death_s for from_s, until_s in self.ill)
            for death_s in self.life.deaths
            if death_s >= at_s
        )
