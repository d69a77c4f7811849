"""Messages to telephones and mailboxes: the only module that knows apprise.

Addresses hold tokens and passwords: they are never logged, printed or put into errors.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import apprise

from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board
from soakmon.reach.rules import Memory, Policy, Rules, Told
from soakmon.reach.secrets import addresses, redact
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import PhoneSection
from soakmon.records.outbox import Outbox

log = logging.getLogger(__name__)
NAME = "phone"
_EVERY_S = 1.0
_STALE_S = 24 * 3600.0
_ERROR_CHARS = 200
_said = logging.getLogger("apprise")
_said.propagate = False
# What these would log of a request can hold an address.
for _name in ("urllib3", "httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)


@dataclass(frozen=True, slots=True)
class Target:
    """One address of a person; its name can be shown."""

    person: str
    number: int
    address: str

    @property
    def name(self) -> str:
        """Such as first/1 (mailto): the scheme is all that is shown of an address."""
        scheme, found, _ = self.address.partition("://")
        return f"{self.person}/{self.number} ({scheme if found and scheme.isalnum() else '?'})"


def targets_of(section: PhoneSection) -> list[Target]:
    """All addresses. Raises InputError when a file cannot be read or there is none at all."""
    first = addresses(
        [url.get_secret_value() for url in section.urls],
        section.urls_file, "SOAKMON_PHONE_URLS", "phone.urls_file",
    )  # fmt: skip
    second = addresses(
        [url.get_secret_value() for url in section.second_urls],
        section.second_urls_file, "SOAKMON_PHONE_SECOND_URLS", "phone.second_urls_file",
    )  # fmt: skip
    if not first:
        raise InputError("phone: no address: write apprise addresses to a file: phone.urls_file")
    people = (("first", first), ("second", second))
    return [Target(who, i, url) for who, urls in people for i, url in enumerate(urls, start=1)]


class _Redaction(logging.Filter):
    """Lets warnings through without the address, and nothing below them."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address = address

    def filter(self, record: logging.LogRecord) -> bool:
        """Take the address out of a record."""
        record.msg, record.args = redact(record.getMessage(), [self.address]), ()
        return record.levelno >= logging.WARNING


def understood(target: Target) -> bool:
    """Whether the library knows what to do with an address; also loads what it needs for that."""
    _said.addFilter(redaction := _Redaction(target.address))
    try:
        return bool(apprise.Apprise().add(target.address))
    except Exception:  # a plugin may raise anything, with the address in it
        return False
    finally:
        _said.removeFilter(redaction)


def send(target: Target, title: str, body: str, *, urgent: bool) -> None:
    """Send one message to one address. Raises ReachError, without the address."""
    out = apprise.Apprise(asset=apprise.AppriseAsset(app_id="soakmon", app_desc="soakmon"))
    kind = apprise.NotifyType.FAILURE if urgent else apprise.NotifyType.INFO
    _said.addFilter(redaction := _Redaction(target.address))
    try:
        with apprise.LogCapture(level=logging.WARNING) as said:
            good = out.add(target.address) and out.notify(body, title, kind)
            text = said.getvalue()
    except Exception as error:  # a plugin may raise anything, with the address in it
        raise ReachError(f"{target.name}: failed: {type(error).__name__}") from None
    finally:
        _said.removeFilter(redaction)
    if not good:
        told = " ".join(text.split())[:_ERROR_CHARS]
        raise ReachError(f"{target.name}: not sent: {told or 'the address is not understood'}")


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
