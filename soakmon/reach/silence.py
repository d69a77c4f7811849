"""When is a bench silent? Plain values in, messages out; times are monotonic, in s.

A bench's heartbeat is the `taken_at` of its state, which only moves while its readings do. Its age
is counted by the lookout's own clock from when it last moved, so that clocks need not agree, and
only while the lookout is connected: what happens meanwhile nobody knows. After a gap in its own
connection every bench has its full time again, but once only: a wire that comes and goes would
else keep everybody from ever being judged.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable

from soakmon.bench_address import is_address
from soakmon.reach.broker_link import BrokerLink
from soakmon.reach.clashes import Clashes, two_of_a_name
from soakmon.reach.heard_bench import HeardBench
from soakmon.reach.rules import Notification
from soakmon.texts import say

_MOST_BENCHES = 5000


class Silence:
    """Watches benches; silent_s, broker_s: how long before somebody hears of it.

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
        self.silent_s, self.only, self.shop = silent_s, only, shop
        self.benches = {name: HeardBench(name, now_s, 0.0) for name in sorted(only or ())}
        self.twins: dict[str, bool] = {}  # benches that share a name, and whether that was sent
        self.clashes = Clashes()
        self.link = BrokerLink(broker_s, now_s)
        self.nobody_sent = False

    def connection(self, connected: bool, now_s: float) -> None:
        """The connection to the broker came or went."""
        if self.link.change(connected, now_s) and connected:
            for bench in self.benches.values():
                bench.grace(self.link.watched_s(now_s))

    def take(
        self, bench: str, topic: str, payload: bytes, now_s: float, *, live: bool = True
    ) -> None:
        """A message of a bench on its topic availability or state; what is not ours is ignored.

        live: it came now, and had not been kept by the broker.
        """
        if not self._ours(bench):
            return
        try:
            message = json.loads(payload)
            schema = message["schema"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        run = str(message.get("run", ""))
        if bench in self.twins:
            bench = _of_two(bench, run)
        if bench not in self.benches and len(self.benches) >= _MOST_BENCHES:
            return
        watched_s = self.link.watched_s(now_s)
        if topic == "availability" and schema == "soakmon.availability/1":
            self._bench(bench, now_s).take_availability(message, watched_s)
        elif topic == "state" and schema == "soakmon.state/1":
            heard = self._bench(bench, now_s)
            if live and heard.shares_name(run):
                heard = self._divide(bench, run, now_s)
            heard.take_state(message, now_s, watched_s, live=live)

    def _divide(self, bench: str, run: str, now_s: float) -> HeardBench:
        """Two benches have this name: each goes on under the number of its run."""
        self.twins[bench] = False
        first = self.benches.pop(bench)
        first.name = _of_two(bench, first.runs[-1])
        self.benches[first.name] = first
        return self._bench(_of_two(bench, run), now_s)

    def _ours(self, bench: str) -> bool:
        named = self.only is None or bench in self.only
        return named and (not self.shop or bench.startswith(f"{self.shop}/"))

    def clash(self, payload: bytes, now_s: float) -> None:
        """What a bench answers to another that has its name or identity (see `claim`)."""
        self.clashes.take(payload, now_s, self._ours)

    def _bench(self, name: str, now_s: float) -> HeardBench:
        if name not in self.benches:
            self.benches[name] = HeardBench(name, now_s, self.link.watched_s(now_s))
        return self.benches[name]

    def due(self, now_s: float) -> list[Notification]:
        """What is to be sent now."""
        notes = self.link.due(now_s) + self.clashes.due(now_s)
        for name in [name for name, sent in self.twins.items() if not sent]:
            self.twins[name] = True
            notes.append(two_of_a_name(name))
        if self.link.connected:
            notes += self._nobody(now_s)
            watched_s = self.link.watched_s(now_s)
            for bench in self.benches.values():
                notes += bench.due(now_s, watched_s, self.silent_s)
        return notes

    def begun(self) -> set[str]:
        """Keys of what has been sent, or would have been, and is not over yet."""
        keys = {f"twins/{name}" for name, sent in self.twins.items() if sent}
        keys |= self.clashes.begun()
        for bench in self.benches.values():
            keys |= bench.begun()
        return keys | ({"nobody"} if self.nobody_sent else set())

    def remember(self, keys: Iterable[str], now_s: float) -> None:
        """People have heard of these: by another lookout, or before this one was started."""
        for key in keys:
            kind, _, name = key.partition("/")
            if kind == "nobody":
                self.nobody_sent = True
            elif not is_address(name) or not self._ours(name):
                continue
            elif kind == "twins":
                self.clashes.remember(name, now_s)
            elif name in self.benches or len(self.benches) < _MOST_BENCHES:
                self._bench(name, now_s).remember(kind, now_s)

    def opinions(self) -> dict[str, str]:
        """What is thought of each bench now: its phase, or that it is silent."""
        if not self.link.connected:
            return dict.fromkeys(self.benches, say("silence.not_known_no_broker"))
        return {
            name: "silent" if bench.silent_sent else bench.phase or say("silence.not_heard_yet")
            for name, bench in self.benches.items()
        }

    def trouble(self) -> str:
        """Why benches cannot be watched now; empty when they are heard."""
        if not self.link.connected:
            return say("silence.no_connection_broker")
        unheard = [name for name, bench in self.benches.items() if bench.never]
        if unheard or not self.benches:
            return say("silence.not_heard_yet_2", bench=", ".join(unheard) or "any bench")
        return ""

    def _nobody(self, now_s: float) -> list[Notification]:
        waited = self.link.watched_s(now_s) >= self.silent_s
        if not self.benches and not self.nobody_sent and waited:
            self.nobody_sent = True
            body = say("silence.lookout_connected_broker_hears_no")
            return [Notification("nobody", say("silence.lookout_hears_nobody"), body, urgent=True)]
        if self.benches and self.nobody_sent:
            self.nobody_sent = False
            title, body = say("silence.lookout_hears_bench"), say("silence.watched")
            return [Notification("nobody", title, body, urgent=False)]
        return []


def _of_two(bench: str, run: str) -> str:
    return f"{bench} ({run[:4] or 'no number'})"
