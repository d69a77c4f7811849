"""People told of what happens: what waits for each address, and the outlet that sends it."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from soakmon.config import Bench
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board
from soakmon.reach.phone import Target, send, targets_of, understood
from soakmon.reach.rules import Memory, Policy, Rules, Told
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import PhoneSection
from soakmon.records.outbox import Outbox

log = logging.getLogger(__name__)
NAME = "phone"
_EVERY_S = 1.0
_STALE_S = 24 * 3600.0


def policy_of(section: PhoneSection, bench: str, *, valve: bool) -> Policy:
    """The rules' settings."""
    return Policy(
        bench,
        60 * section.repeat_min,
        60 * section.second_after_min,
        section.trouble_after_s,
        section.trouble_over_s,
        _minutes(section.quiet_from),
        _minutes(section.quiet_to),
        ZoneInfo(section.time_zone) if section.time_zone else None,
        section.link,
        valve,
        section.tell_start,
    )


def _minutes(clock: str) -> int:
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


class Post:
    """Messages on their way, one line per address, each with its own waits."""

    def __init__(
        self, targets: list[Target], waiting: list[dict[str, Any]], deliver: Callable[..., None]
    ) -> None:
        self.targets = {target.name: target for target in targets}
        self.waiting = [one for one in waiting if one["target"] in self.targets]
        self.deliver = deliver
        self.backoffs = {name: Backoff(2.0, 60.0) for name in self.targets}
        self.again_s = dict.fromkeys(self.targets, 0.0)
        self.failed: dict[str, str] = {}

    def add(self, told: Told, wall_s: float) -> None:
        """A message for a person's addresses, in place of an older one with the same key."""
        for target in self.targets.values():
            if target.person == "second" and not told.second:
                continue
            same = (target.name, told.key)
            self.waiting = [w for w in self.waiting if (w["target"], w["key"]) != same]
            self.waiting.append({"target": target.name, "wall_s": wall_s} | asdict(told))

    def next(self, now_s: float) -> dict[str, Any] | None:
        """The next message whose address may be tried, the urgent ones first."""
        ready = [w for w in self.waiting if self.again_s[w["target"]] <= now_s]
        return min(ready, key=lambda one: not one["urgent"], default=None)

    def try_one(self, one: dict[str, Any], now_s: float) -> bool:
        """Send it, or have its address wait; whether it went out."""
        name = one["target"]
        try:
            self.deliver(self.targets[name], one["title"], one["body"], urgent=one["urgent"])
        except ReachError as error:
            self.failed[name] = str(error)
            self.again_s[name] = now_s + self.backoffs[name].next_s()
            return False
        self.waiting.remove(one)
        self.failed.pop(name, None)
        self.backoffs[name].reset()
        return True

    def drop_old(self, wall_s: float) -> None:
        """Forget what is too old to be news."""
        old = [w for w in self.waiting if wall_s - w["wall_s"] > _STALE_S]
        for one in old:
            log.warning("phone: %s was not told %s: it is too old now", one["target"], one["key"])
            self.waiting.remove(one)


class PhoneOutlet:
    """Tells people, step by step in a thread of its own; what waits outlives a restart."""

    name = NAME

    def __init__(
        self,
        bench: Bench,
        journal: Path,
        board: Board,
        *,
        status: Callable[[], dict[str, Any]],
        wall_s: Callable[[], float],
        deliver: Callable[..., None] = send,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.board, self.status, self.wall_s, self.now_s = board, status, wall_s, now_s
        self.outbox = Outbox(journal, NAME)
        self.bench, self.deliver = bench, deliver
        valve = bench.valve.driver != "none"
        self.policy = policy_of(bench.phone, bench.service.name, valve=valve)
        self.rules = Rules(self.policy)
        self.post = Post([], [], deliver)

    def open(self) -> None:
        """Find the addresses, and take up what was left waiting."""
        targets = targets_of(self.bench.phone)
        kept = self.outbox.memo()
        self.rules = Rules(self.policy, Memory.of(kept.get("rules", {})))
        self.post = Post(targets, kept.get("waiting", []), self.deliver)
        # Said now, not when it is needed.
        unknown = [target.name for target in targets if not understood(target)]
        self.post.failed = {name: f"{name}: the address is not understood" for name in unknown}

    def close(self) -> None:
        """Nothing to close."""

    def step(self) -> float:
        """Take what happened, then send what is due."""
        before = self._kept()
        events = self.outbox.events()
        wall_s = self.wall_s()
        for event in events:
            # After weeks without a phone nobody wants the alarms of those weeks.
            if event.kind not in {"alarm", "verdict"} or wall_s - event.wall_s <= _STALE_S:
                self.rules.take(event, self.outbox.soak(event.soak)[0])
        self.rules.look(self.status(), wall_s)
        for told in self.rules.due(wall_s):
            self.post.add(told, wall_s)
        self.post.drop_old(wall_s)
        if events or self._kept() != before:
            with self.outbox.together():
                self.outbox.note(self._kept())
                if events:
                    self.outbox.move(event=events[-1].id)
        self._send()
        return _EVERY_S

    def _lag(self) -> None:
        since_s = min((one["wall_s"] for one in self.post.waiting), default=None)
        self.board.lag(NAME, len(self.post.waiting), since_s)

    def _send(self) -> None:
        self._lag()
        while (one := self.post.next(self.now_s())) is not None:
            if self.post.try_one(one, self.now_s()):
                self.board.sent(NAME)
                self.outbox.note(self._kept())
            self._lag()
        if self.post.failed:
            raise ReachError("; ".join(self.post.failed.values()), again_s=_EVERY_S)

    def _kept(self) -> dict[str, Any]:
        return {"rules": self.rules.kept(), "waiting": list(self.post.waiting)}
