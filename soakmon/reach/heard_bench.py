"""One bench as a lookout hears it: never heard, silent, back, or with an alarm that reaches nobody.

Pure: values in, messages out; times are monotonic, in s. Those called watched are on the clock that
runs only while the lookout is connected.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from soakmon.reach.broker_link import duration
from soakmon.reach.rules import RUNNING, Notification
from soakmon.texts import say

_WILL_S = 30.0
_MOST_RUNS, _REASON_CHARS = 8, 200


@dataclass(slots=True)
class HeardBench:
    """A bench as it was last heard, and what has been sent of it and is not over yet."""

    name: str
    heard_s: float
    heard_watched_s: float
    phase: str = ""
    beat: str = ""
    offline_watched_s: float | None = None
    silent_sent: bool = False
    silent_from_s: float = 0.0
    grace_watched_s: float = 0.0  # no judgement on what was not heard before this
    graced: bool = False
    unheard_sent: bool = False
    alone: str = ""  # why its alarm reaches nobody
    alone_sent: bool = False
    runs: list[str] = field(default_factory=list)

    @property
    def never(self) -> bool:
        """Whether nothing is known of it: neither a state, nor that it has left."""
        return not self.phase and self.offline_watched_s is None

    def shares_name(self, run: str) -> bool:
        """Whether two benches have this name: one that was started anew never speaks as before."""
        if run in self.runs[:-1]:
            return True
        if run not in self.runs:
            self.runs = [*self.runs, run][-_MOST_RUNS:]
        return False

    def grace(self, watched_s: float) -> None:
        """After a gap in our own connection it has its full time again, but once only."""
        if not self.graced:
            self.grace_watched_s, self.graced = watched_s, True

    def take_availability(self, message: Mapping[str, object], watched_s: float) -> None:
        """It, or the broker in its place, says whether it is there."""
        if message.get("state") == "online":
            self.offline_watched_s = None
        elif self.offline_watched_s is None:
            self.offline_watched_s = watched_s

    def take_state(
        self, message: Mapping[str, object], now_s: float, watched_s: float, *, live: bool
    ) -> None:
        """Its state; live: it came now, and had not been retained by the broker."""
        self.phase = str(message.get("phase", ""))
        waits = bool(message.get("alarms_waiting"))
        self.alone = str(message.get("phone_trouble", ""))[:_REASON_CHARS] if waits else ""
        if self.silent_sent and not live:
            # A retained one does not bring back a bench that is known to be silent.
            self.beat = str(message.get("taken_at"))
        elif message.get("taken_at") != self.beat:
            self.beat, self.heard_s = str(message.get("taken_at")), now_s
            self.heard_watched_s, self.graced = watched_s, False

    def begun(self) -> set[str]:
        """Keys of what has been sent, or would have been, and is not over yet."""
        sent = {
            "silent": self.silent_sent,
            "unheard": self.unheard_sent,
            "alone": self.alone_sent,
        }
        return {f"{kind}/{self.name}" for kind, yes in sent.items() if yes}

    def remember(self, kind: str, now_s: float) -> None:
        """People have heard of it: by another lookout, or before this one was started."""
        if kind == "silent" and not self.silent_sent:
            self.silent_sent, self.silent_from_s = True, now_s
        elif kind == "unheard" and self.never:
            self.unheard_sent = True
        elif kind == "alone":
            self.alone_sent = True

    def due(self, now_s: float, watched_s: float, silent_s: float) -> list[Notification]:
        """What is to be sent now; silent_s: how long it may be unheard."""
        unheard = self._unheard(watched_s, silent_s)
        return (unheard or self._silence(now_s, watched_s, silent_s)) + self._reaches_nobody()

    def _unheard(self, watched_s: float, silent_s: float) -> list[Notification]:
        waited_s = watched_s - self.grace_watched_s
        if self.never and not self.unheard_sent and waited_s >= silent_s:
            self.unheard_sent = True
            body = say("silence.nothing_heard_bench_not_watched", name=self.name)
            return [self._note("unheard", say("silence.bench_not_heard", name=self.name), body)]
        if self.unheard_sent and not self.never:
            self.unheard_sent = False
            title = say("silence.bench_heard", name=self.name)
            return [self._note("unheard", title, say("silence.watched"), urgent=False)]
        return []

    def _silence(self, now_s: float, watched_s: float, silent_s: float) -> list[Notification]:
        left_s = self.offline_watched_s
        gone = left_s is not None and watched_s - left_s >= min(_WILL_S, silent_s)
        stale = watched_s - max(self.heard_watched_s, self.grace_watched_s) >= silent_s
        if not self.silent_sent and self.phase in RUNNING and (gone or stale):
            self.silent_sent, self.silent_from_s = True, self.heard_s
            why = (
                say("silence.has_left_broker")
                if gone
                else say("silence.no_heartbeat", silence=duration(now_s - self.heard_s))
            )
            text = "silence.bench_was_has_fallen_silent"
            body = say(text, name=self.name, phase=self.phase, why=why)
            return [self._note("silent", say("silence.bench_silent", name=self.name), body)]
        heard_again = left_s is None and self.heard_s > self.silent_from_s and not stale
        if self.silent_sent and heard_again:
            self.silent_sent = False
            away = duration(self.heard_s - self.silent_from_s)
            text = "silence.bench_back_after_now"
            body = say(text, name=self.name, away=away, phase=self.phase)
            title = say("silence.bench_back", name=self.name)
            return [self._note("silent", title, body, urgent=False)]
        return []

    def _reaches_nobody(self) -> list[Notification]:
        """Its alarm nobody has acknowledged, and its own messages do not arrive."""
        if self.alone and not self.alone_sent:
            self.alone_sent = True
            body = say("silence.bench_has_alarm_nobody_has", name=self.name, alone=self.alone)
            title = say("silence.bench_has_alarm_reaches_nobody", name=self.name)
            return [Notification(f"alone/{self.name}", title, body, urgent=True, second=True)]
        if not self.alone and self.beat:
            self.alone_sent = False
        return []

    def _note(self, kind: str, title: str, body: str, *, urgent: bool = True) -> Notification:
        return Notification(f"{kind}/{self.name}", title, body, urgent)
