"""Who is told what, and when: pure rules on events, the bench's status and the time of day.

flood          at once, and again until acknowledged; after a while the second person too
weep, starved  at once
bench          at once when the guard shut the feed; lasting trouble once, and once when it is over
results        in the morning when it is night
begin          at once, when it is wanted
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any

from soakmon.bench.bench_status import BenchStatus
from soakmon.reach import wording
from soakmon.records.events import AlarmsSeen, FeedChange, PhaseChange, content
from soakmon.records.journal import Event
from soakmon.records.verdict_form import VerdictForm
from soakmon.report.clock import RunClock
from soakmon.texts import ENGLISH, say
from soakmon.texts import translated as in_language
from soakmon.watch.figures import elapsed
from soakmon.watch.phase import Phase

# The valve is shut within a second of an alarm; longer means that it was not.
_ACTED_WITHIN_S = 3.0
_REPEATS_FOR_S = 12 * 3600.0
_TROUBLES = ("cell_trouble", "journal_trouble", "guard_trouble", "vapour_alarm")
# While one of these goes on, trouble may cost fuel or the verdict.
RUNNING = {"preflight", "filling", "settling", "soaking", "isolating"}


@dataclass(frozen=True, slots=True)
class Policy:
    """The shop's wishes; quiet hours in minutes of the day, zone None for the machine's."""

    bench: str
    repeat_s: float
    second_after_s: float
    trouble_after_s: float
    trouble_over_s: float
    quiet_from_min: int
    quiet_to_min: int
    zone: tzinfo | None
    link: str = ""
    valve: bool = True
    tell_start: bool = False
    language: str = ENGLISH

    def quiet(self, wall_s: float) -> bool:
        """Whether people sleep."""
        local = datetime.fromtimestamp(wall_s, self.zone)
        now = 60 * local.hour + local.minute
        start, end = self.quiet_from_min, self.quiet_to_min
        return start <= now < end if start <= end else now >= start or now < end

    def clock(self, wall_s: float) -> str:
        """The time of day with its zone and the date, where people are."""
        at = self._at(wall_s)
        return say("rules.clock", time=f"{at:%H:%M %Z}", day=f"{at:%Y-%m-%d}")

    def soak_clock(self, began_wall_s: float) -> RunClock:
        """The clock of a soak that began then, as its report has it."""
        began = self._at(began_wall_s)
        # Of one offset throughout, also in the nights when clocks are changed.
        offset = timezone(began.utcoffset() or timedelta())
        return RunClock(began.astimezone(offset), began.tzname() or "")

    def _at(self, wall_s: float) -> datetime:
        return datetime.fromtimestamp(wall_s, self.zone or UTC).astimezone(self.zone)


@dataclass(frozen=True, slots=True)
class Notification:
    """A message; a newer one with the same key replaces one that has not gone out yet.

    mark: of the alarm that a button in it acknowledges; by_button and elsewhere: what it says about
    that where the way to the phone has buttons, and where it has none.
    """

    key: str
    title: str
    body: str
    urgent: bool
    second: bool = False
    mark: str = ""
    button: str = ""
    by_button: str = ""
    elsewhere: str = ""


@dataclass(slots=True)
class AlarmState:
    """An alarm, when it was last told, and whether the second person knows."""

    id: str
    kind: str
    carb: int | None
    leak_g_per_h: float | None
    text: str
    wall_s: float
    t_s: float | None = None
    told_wall_s: float | None = None
    second: bool = False
    acknowledged: bool = False
    # Marks of others that are told as this one.
    joined: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Trouble:
    """Trouble of the bench: since when it is there, and since when it is gone."""

    text: str
    since_s: float | None = None
    gone_s: float | None = None
    told: bool = False


@dataclass(slots=True)
class Memory:
    """All that the rules must not forget over a restart."""

    alarms: list[AlarmState] = field(default_factory=list)
    feed_open: bool | None = None
    feed_wall_s: float = 0.0
    soon: list[Notification] = field(default_factory=list)
    held: list[Notification] = field(default_factory=list)
    troubles: dict[str, Trouble] = field(default_factory=dict)
    dry_told: int = 0

    @staticmethod
    def of(memo: dict[str, Any]) -> Memory:
        """The memory that `asdict` made plain."""
        memory = Memory(**memo)
        memory.alarms = [
            AlarmState(**alarm | {"id": str(alarm["id"])}) for alarm in memo.get("alarms", [])
        ]
        memory.soon = [Notification(**note) for note in memo.get("soon", [])]
        memory.held = [Notification(**note) for note in memo.get("held", [])]
        memory.troubles = {k: Trouble(**t) for k, t in memo.get("troubles", {}).items()}
        return memory


class Rules:
    """Takes what happens, gives what is to be told."""

    def __init__(self, policy: Policy, memory: Memory | None = None) -> None:
        self.policy = policy
        self.memory = memory or Memory()

    def as_memo(self) -> dict[str, Any]:
        """The memory as plain values."""
        return asdict(self.memory)

    def take(self, event: Event, title: str) -> None:
        """Something happened; title: of the soak."""
        memory = self.memory
        if event.kind == "alarm":
            # Read as far as it goes: an alarm that says too little is told all the same.
            own = str(event.data.get("uid") or event.id)
            new = AlarmState(own, wall_s=event.wall_s, t_s=event.t_s, **_alarm(event.data))
            if not any(_joins(new, alarm) for alarm in memory.alarms):
                memory.alarms.append(new)
            return
        held = content(event)
        if isinstance(held, AlarmsSeen):
            # Without marks, as in journals of earlier versions, all are meant.
            for alarm in memory.alarms:
                alarm.acknowledged |= held.uids is None or alarm.id in held.uids
        elif isinstance(held, FeedChange):
            memory.feed_open, memory.feed_wall_s = held.open, event.wall_s
        elif isinstance(held, PhaseChange) and held.phase is Phase.PREFLIGHT:
            memory.alarms.clear()  # somebody is at the bench and has begun anew
            memory.feed_open = False
            if self.policy.tell_start:
                title = title or held.reason
                message = wording.begin(title, self.policy.bench, self.policy.link)
                memory.soon.append(Notification(f"begin/{event.soak}", *message, urgent=False))
        elif isinstance(held, VerdictForm):
            clock = self.policy.soak_clock(event.wall_s - event.t_s)
            policy = self.policy
            message = wording.result(
                held, title, policy.bench, policy.link, valve=policy.valve, clock=clock
            )
            memory.held.append(Notification(f"result/{event.soak}", *message, urgent=False))

    def look(self, status: BenchStatus, now_s: float) -> None:
        """Look at the bench's status for lasting trouble, and for a bottle that will run dry."""
        running = status.phase in RUNNING
        for name in _TROUBLES:
            text = getattr(status, name) or ""
            there = bool(text) and (running or name == "vapour_alarm")
            if there or name in self.memory.troubles:
                self._trouble(name, str(text) if there else "", now_s)
        dry_s, soak = status.dry_at_wall_s, status.soak or 0
        end_s = (now_s if status.wall_s is None else status.wall_s) + status.left_s
        if dry_s and dry_s < end_s and soak != self.memory.dry_told:
            self.memory.dry_told = soak
            message = wording.dry(self.policy.clock(dry_s), self.policy.bench, self.policy.link)
            self.memory.held.append(Notification(f"dry/{soak}", *message, urgent=False))

    def _trouble(self, name: str, text: str, now_s: float) -> None:
        trouble = self.memory.troubles.setdefault(name, Trouble(text))
        if text:
            trouble.text, trouble.gone_s = text, None
            trouble.since_s = now_s if trouble.since_s is None else trouble.since_s
        else:
            trouble.gone_s = now_s if trouble.gone_s is None else trouble.gone_s

    def due(self, now_s: float) -> list[Notification]:
        """What is to be told now."""
        notes = [told for alarm in self.memory.alarms for told in self._alarm(alarm, now_s)]
        for name in list(self.memory.troubles):
            notes += self._troubled(name, now_s)
        notes += self.memory.soon
        self.memory.soon = []
        if self.memory.held and not self.policy.quiet(now_s):
            notes += self.memory.held
            self.memory.held = []
        return [self._in_policy_language(note) for note in notes]

    def _in_policy_language(self, note: Notification) -> Notification:
        """A message in the language of those who are told."""
        language = self.policy.language
        return replace(
            note,
            title=in_language(note.title, language),
            body=in_language(note.body, language),
            button=in_language(note.button, language),
            by_button=in_language(note.by_button, language),
            elsewhere=in_language(note.elsewhere, language),
        )

    def answerable(self, now_s: float) -> dict[str, list[str]]:
        """Alarms that people know of and nobody has acknowledged, by the mark in their message: the
        marks of all that were told by it.
        """
        return {
            alarm.id: [alarm.id, *alarm.joined]
            for alarm in self.memory.alarms
            if alarm.told_wall_s is not None
            and not alarm.acknowledged
            and now_s - alarm.wall_s < _REPEATS_FOR_S
        }

    def _alarm(self, alarm: AlarmState, now_s: float) -> list[Notification]:
        acted = self.memory.feed_open is not True or not self.policy.valve
        if not acted and 0 <= now_s - alarm.wall_s < _ACTED_WITHIN_S:
            return []
        again = (
            alarm.kind == "flood"
            and not alarm.acknowledged
            and alarm.told_wall_s is not None
            and not 0 <= now_s - alarm.told_wall_s < self.policy.repeat_s  # the clock may jump
            and now_s - alarm.wall_s < _REPEATS_FOR_S
        )
        late = now_s - alarm.wall_s >= self.policy.second_after_s and not alarm.acknowledged
        second = alarm.kind == "flood" and late
        if alarm.told_wall_s is not None and not again and (alarm.second or not second):
            return []
        first_time = alarm.told_wall_s is None
        alarm.told_wall_s = now_s
        alarm.second = alarm.second or second
        shut_at = self.policy.clock(self.memory.feed_wall_s) if acted else None
        title, body = wording.alarm(
            asdict(alarm),
            self.policy.bench,
            noticed=self._noticed(alarm),
            shut_at=shut_at if self.memory.feed_wall_s else "",
            reminder=not first_time,
            valve=self.policy.valve,
            link=self.policy.link,
        )
        return [
            Notification(
                f"alarm/{alarm.id}", title, body, urgent=True, second=second,
                mark=alarm.id, **wording.acknowledging(),
            )
        ]  # fmt: skip

    def _noticed(self, alarm: AlarmState) -> str:
        """When it was noticed, and how long after the start of the soak."""
        if alarm.t_s is None:
            return self.policy.clock(alarm.wall_s)
        # The hour of its whole minute, as on the page and in the report.
        clock = self.policy.clock(alarm.wall_s - alarm.t_s + 60 * round(alarm.t_s / 60))
        return say("rules.noticed", clock=clock, elapsed=elapsed(alarm.t_s))

    def _troubled(self, name: str, now_s: float) -> list[Notification]:
        trouble = self.memory.troubles[name]
        after_s = 0.0 if name == "vapour_alarm" else self.policy.trouble_after_s
        if trouble.gone_s is not None:
            if not trouble.told:
                del self.memory.troubles[name]
            elif now_s - trouble.gone_s >= self.policy.trouble_over_s:
                del self.memory.troubles[name]
                title, body = wording.well_again(name, self.policy.bench, self.policy.link)
                return [Notification(f"trouble/{name}", title, body, urgent=False)]
        elif (
            not trouble.told and trouble.since_s is not None and now_s - trouble.since_s >= after_s
        ):
            trouble.told = True
            since = self.policy.clock(trouble.since_s)
            title, body = wording.trouble(
                name, trouble.text, since, self.policy.bench, self.policy.link
            )
            return [Notification(f"trouble/{name}", title, body, urgent=True)]
        return []


def _joins(new: AlarmState, known: AlarmState) -> bool:
    """Whether a flood is one that people know of and have not acknowledged: guard and decider both
    find it, and it is told again in any case. What the new one knows more of goes into the old.
    """
    both = new.kind == known.kind == "flood" and not known.acknowledged
    if not both or (new.carb != known.carb and None not in {new.carb, known.carb}):
        return False
    known.joined.append(new.id)
    known.carb = known.carb or new.carb
    if new.leak_g_per_h is not None:
        known.leak_g_per_h, known.text = new.leak_g_per_h, new.text
    return True


def _alarm(data: dict[str, Any]) -> dict[str, Any]:
    """What is told of an alarm."""
    alarm_data = {key: data.get(key) for key in ("kind", "carb", "leak_g_per_h", "text")}
    text = alarm_data["text"] or say("rules.no_more_is_known")
    return alarm_data | {"kind": alarm_data["kind"] or "bench", "text": text}
