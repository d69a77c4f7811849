"""When is a bench silent? Plain values in, messages out; times are monotonic, in s.

A bench's heartbeat is the `taken_at` of its state, which only moves while its readings do. Its age
is counted by the lookout's own clock from when it last moved, so that clocks need not agree, and
only while the lookout is connected: what happens meanwhile nobody knows. After a gap in its own
connection every bench has its full time again, but once only: a wire that comes and goes would
else keep everybody from ever being judged.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import Any

from soakmon.bench_address import is_address
from soakmon.reach.clashes import Clashes, two_of_a_name
from soakmon.reach.rules import RUNNING, Notification
from soakmon.texts import say

_WILL_S = 30.0
_DROPS, _DROPS_WITHIN_S = 5, 600.0
_MOST_BENCHES, _MOST_RUNS, _REASON_CHARS = 5000, 8, 200


@dataclass(slots=True)
class Seen:
    """A bench as it was last heard; watched_s are on the clock that runs while we are connected."""

    heard_s: float
    heard_watched_s: float
    phase: str = ""
    beat: str = ""
    offline_watched_s: float | None = None
    told: bool = False
    silent_from_s: float = 0.0
    grace_watched_s: float = 0.0  # no judgement on what was not heard before this
    graced: bool = False
    unheard_told: bool = False
    alone: str = ""  # why its alarm reaches nobody
    alone_told: bool = False
    runs: list[str] = field(default_factory=list)

    @property
    def never(self) -> bool:
        """Whether nothing is known of it: neither a state, nor that it has left."""
        return not self.phase and self.offline_watched_s is None


class Silence:
    """Watches benches; silent_s, broker_s: how long before somebody is told.

    only: the benches that must be there; none for all that are heard. shop: only its benches.
    """

    def __init__(
        self,
        silent_s: float,
        broker_s: float,
        only: Collection[str] | None,
        now_s: float,
        *,
        shop: str = "",
    ) -> None:
        self.silent_s, self.broker_s, self.only, self.shop = silent_s, broker_s, only, shop
        self.benches = {name: Seen(now_s, 0.0) for name in sorted(only or ())}
        self.twins: dict[str, bool] = {}  # benches that share a name, and whether that was told
        self.clashes = Clashes()
        self.connected = False
        self.changed_s = now_s
        self.watched_before_s = 0.0
        self.broker_told = self.nobody_told = self.flapping_told = False
        self.drops: deque[float] = deque(maxlen=100)

    def _watched_s(self, now_s: float) -> float:
        """For how long we have been connected in all."""
        return self.watched_before_s + (now_s - self.changed_s if self.connected else 0.0)

    def connection(self, connected: bool, now_s: float) -> None:
        """The connection to the broker came or went."""
        if connected == self.connected:
            return
        self.watched_before_s = self._watched_s(now_s)
        self.connected, self.changed_s = connected, now_s
        if not connected:
            self.drops.append(now_s)
            return
        for seen in self.benches.values():
            if not seen.graced:
                seen.grace_watched_s, seen.graced = self.watched_before_s, True

    def take(
        self, bench: str, topic: str, payload: bytes, now_s: float, *, live: bool = True
    ) -> None:
        """A message of a bench on its topic availability or state; what is not ours is ignored.

        live: it came now, and had not been kept by the broker.
        """
        if not self._ours(bench):
            return
        try:
            found = json.loads(payload)
            schema = found["schema"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        run = str(found.get("run", ""))
        if bench in self.twins:
            bench = _of_two(bench, run)
        if bench not in self.benches and len(self.benches) >= _MOST_BENCHES:
            return
        if topic == "availability" and schema == "soakmon.availability/1":
            self._availability(self._seen(bench, now_s), found, now_s)
        elif topic == "state" and schema == "soakmon.state/1":
            seen = self._seen(bench, now_s)
            if live and _shared(seen, run):
                self.twins[bench] = False
                self.benches[_of_two(bench, seen.runs[-1])] = self.benches.pop(bench)
                seen = self._seen(_of_two(bench, run), now_s)
            self._state(seen, found, now_s, live=live)

    def _ours(self, bench: str) -> bool:
        named = self.only is None or bench in self.only
        return named and (not self.shop or bench.startswith(f"{self.shop}/"))

    def clash(self, payload: bytes, now_s: float) -> None:
        """What a bench answers to another that has its name or identity (see `claim`)."""
        self.clashes.take(payload, now_s, self._ours)

    def _seen(self, bench: str, now_s: float) -> Seen:
        return self.benches.setdefault(bench, Seen(now_s, self._watched_s(now_s)))

    def _availability(self, seen: Seen, found: dict[str, Any], now_s: float) -> None:
        if found.get("state") == "online":
            seen.offline_watched_s = None
        elif seen.offline_watched_s is None:
            seen.offline_watched_s = self._watched_s(now_s)

    def _state(self, seen: Seen, found: dict[str, Any], now_s: float, *, live: bool) -> None:
        seen.phase = str(found.get("phase", ""))
        waits = bool(found.get("alarms_waiting"))
        seen.alone = str(found.get("phone_trouble", ""))[:_REASON_CHARS] if waits else ""
        if seen.told and not live:
            # What the broker had kept does not bring back a bench that is known to be silent.
            seen.beat = str(found.get("taken_at"))
        elif found.get("taken_at") != seen.beat:
            seen.beat, seen.heard_s = str(found.get("taken_at")), now_s
            seen.heard_watched_s, seen.graced = self._watched_s(now_s), False

    def due(self, now_s: float) -> list[Notification]:
        """What is to be told now."""
        found = self._broker(now_s) + self._flapping(now_s) + self.clashes.due(now_s)
        for name in [name for name, told in self.twins.items() if not told]:
            self.twins[name] = True
            found.append(two_of_a_name(name))
        if self.connected:
            found += self._nobody(now_s)
            for name, seen in self.benches.items():
                found += self._unheard(name, seen, now_s) or self._bench(name, seen, now_s)
                found += self._alone(name, seen)
        return found

    def begun(self) -> set[str]:
        """Keys of what has been told, or would have been, and is not over yet."""
        named = {f"twins/{name}" for name, told in self.twins.items() if told}
        named |= self.clashes.begun()
        for name, seen in self.benches.items():
            named |= {f"silent/{name}"} if seen.told else set()
            named |= {f"unheard/{name}"} if seen.unheard_told else set()
            named |= {f"alone/{name}"} if seen.alone_told else set()
        return named | ({"nobody"} if self.nobody_told else set())

    def remember(self, keys: Iterable[str], now_s: float) -> None:
        """People have been told of these: by another lookout, or before this one was started."""
        for key in keys:
            kind, _, name = key.partition("/")
            if kind == "nobody":
                self.nobody_told = True
            elif not is_address(name) or not self._ours(name):
                continue
            elif kind == "twins":
                self.clashes.remember(name, now_s)
            elif name in self.benches or len(self.benches) < _MOST_BENCHES:
                self._remember(kind, self._seen(name, now_s), now_s)

    def _remember(self, kind: str, seen: Seen, now_s: float) -> None:
        if kind == "silent" and not seen.told:
            seen.told, seen.silent_from_s = True, now_s
        elif kind == "unheard" and seen.never:
            seen.unheard_told = True
        elif kind == "alone":
            seen.alone_told = True

    def opinions(self) -> dict[str, str]:
        """What is thought of each bench now: its phase, or that it is silent."""
        if not self.connected:
            return dict.fromkeys(self.benches, say("silence.not_known_no_broker"))
        return {
            name: "silent" if seen.told else seen.phase or say("silence.not_heard_yet")
            for name, seen in self.benches.items()
        }

    def trouble(self) -> str:
        """Why benches cannot be watched now; empty when they are heard."""
        if not self.connected:
            return say("silence.no_connection_broker")
        unheard = [name for name, seen in self.benches.items() if seen.never]
        if unheard or not self.benches:
            return say("silence.not_heard_yet_2", bench=", ".join(unheard) or "any bench")
        return ""

    def _broker(self, now_s: float) -> list[Notification]:
        if not self.connected and not self.broker_told and now_s - self.changed_s >= self.broker_s:
            self.broker_told = True
            body = say("silence.no_connection_mqtt_broker_nobody")
            return [Notification("broker", say("silence.broker_gone"), body, urgent=True)]
        if self.connected and self.broker_told:
            self.broker_told = False
            return [
                Notification(
                    "broker",
                    say("silence.broker_back"),
                    say("silence.benches_are_watched_again"),
                    False,
                )
            ]
        return []

    def _flapping(self, now_s: float) -> list[Notification]:
        while self.drops and now_s - self.drops[0] > _DROPS_WITHIN_S:
            self.drops.popleft()
        count = len(self.drops)
        if count >= _DROPS and not self.flapping_told:
            self.flapping_told = True
            body = say(
                "silence.lookout_lost_mqtt_broker_times",
                count=count,
                drops=_time(now_s - self.drops[0]),
            )
            return [
                Notification("flapping", say("silence.wire_broker_comes_goes"), body, urgent=True)
            ]
        if not count and self.connected and self.flapping_told:
            self.flapping_told = False
            return [
                Notification("flapping", say("silence.wire_broker_steady_again"), "", urgent=False)
            ]
        return []

    def _nobody(self, now_s: float) -> list[Notification]:
        if not self.benches and not self.nobody_told and self._watched_s(now_s) >= self.silent_s:
            self.nobody_told = True
            body = say("silence.lookout_connected_broker_hears_no")
            return [Notification("nobody", say("silence.lookout_hears_nobody"), body, urgent=True)]
        if self.benches and self.nobody_told:
            self.nobody_told = False
            return [
                Notification(
                    "nobody",
                    say("silence.lookout_hears_bench"),
                    say("silence.watched"),
                    urgent=False,
                )
            ]
        return []

    def _unheard(self, name: str, seen: Seen, now_s: float) -> list[Notification]:
        waited_s = self._watched_s(now_s) - seen.grace_watched_s
        if seen.never and not seen.unheard_told and waited_s >= self.silent_s:
            seen.unheard_told = True
            body = say("silence.nothing_heard_bench_not_watched", name=name)
            return [
                Notification(
                    f"unheard/{name}", say("silence.bench_not_heard", name=name), body, urgent=True
                )
            ]
        if seen.unheard_told and not seen.never:
            seen.unheard_told = False
            text = say("silence.watched")
            return [
                Notification(
                    f"unheard/{name}", say("silence.bench_heard", name=name), text, urgent=False
                )
            ]
        return []

    def _alone(self, name: str, seen: Seen) -> list[Notification]:
        """A bench whose alarm nobody has acknowledged, and whose own messages do not arrive."""
        if seen.alone and not seen.alone_told:
            seen.alone_told = True
            body = say("silence.bench_has_alarm_nobody_has", name=name, alone=seen.alone)
            title = say("silence.bench_has_alarm_reaches_nobody", name=name)
            return [Notification(f"alone/{name}", title, body, urgent=True, second=True)]
        if not seen.alone and seen.beat:
            seen.alone_told = False
        return []

    def _bench(self, name: str, seen: Seen, now_s: float) -> list[Notification]:
        will_s = min(_WILL_S, self.silent_s)
        watched_s = self._watched_s(now_s)
        left_s = seen.offline_watched_s
        gone = left_s is not None and watched_s - left_s >= will_s
        stale = watched_s - max(seen.heard_watched_s, seen.grace_watched_s) >= self.silent_s
        if not seen.told and seen.phase in RUNNING and (gone or stale):
            seen.told = True
            seen.silent_from_s = seen.heard_s
            silence = _time(now_s - seen.heard_s)
            why = (
                say("silence.has_left_broker")
                if gone
                else say("silence.no_heartbeat", silence=silence)
            )
            body = say("silence.bench_was_has_fallen_silent", name=name, phase=seen.phase, why=why)
            return [
                Notification(
                    f"silent/{name}", say("silence.bench_silent", name=name), body, urgent=True
                )
            ]
        if seen.told and left_s is None and seen.heard_s > seen.silent_from_s and not stale:
            seen.told = False
            away = _time(seen.heard_s - seen.silent_from_s)
            body = say("silence.bench_back_after_now", name=name, away=away, phase=seen.phase)
            return [
                Notification(
                    f"silent/{name}", say("silence.bench_back", name=name), body, urgent=False
                )
            ]
        return []


def _shared(seen: Seen, run: str) -> bool:
    """Whether two benches have this name: one that was started anew never speaks as before."""
    if run in seen.runs[:-1]:
        return True
    if run not in seen.runs:
        seen.runs = [*seen.runs, run][-_MOST_RUNS:]
    return False


def _of_two(bench: str, run: str) -> str:
    return f"{bench} ({run[:4] or 'no number'})"


def _time(seconds: float) -> str:
    return (
        f"{seconds:.0f} s" if seconds < 120 else say("silence.min", seconds=f"{seconds / 60:.0f}")
    )
