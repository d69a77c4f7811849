"""Messages on their way: a line for each address, and none can hold up another.

Every try has a thread of its own, since a library may wait for an address for ever. One that does
not come back in time is left behind; the process ends without it.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from soakmon.reach.backoff import Backoff
from soakmon.reach.phone import Target, send
from soakmon.reach.reply import reply_topic
from soakmon.reach.rules import Notification
from soakmon.reach.supervise import ReachError

log = logging.getLogger(__name__)
Deliver = Callable[..., None]
_ANSWERS_WITHIN_S = 15.0  # a mail server on a slow line takes some seconds: judgement
_URGENT_WITHIN_S = 10.0
_LONGEST_WAIT_S = 900.0
_STALE_S = 24 * 3600.0


@dataclass(eq=False, slots=True)
class Letter:
    """A message to an address; wall_s: when it was written, since_s: when it began to wait."""

    target: str
    note: Notification
    wall_s: float
    since_s: float
    tries: int = 0

    def as_memo(self) -> dict[str, Any]:
        """As plain values."""
        return {"target": self.target, "wall_s": self.wall_s} | asdict(self.note)


@dataclass(eq=False, slots=True)
class Attempt:
    """One try to deliver a letter; error: why it failed, None while it runs or when it went out."""

    letter: Letter
    began_s: float
    error: str | None = None


class Recipient:
    """What is known of an address: who it is, its waits, and what is on the way to it."""

    def __init__(self, target: Target) -> None:
        self.target = target
        self.backoff = Backoff(2.0, 60.0)
        self.again_s = float("-inf")
        self.attempt: Attempt | None = None
        self.left_behind = 0
        self.failed = ""

    def wait(self, now_s: float) -> None:
        """Have the next try wait: the longer, the more threads hang."""
        wait_s = self.backoff.next_s()
        if self.left_behind:
            wait_s = max(wait_s, min(_ANSWERS_WITHIN_S * 2**self.left_behind, _LONGEST_WAIT_S))
        self.again_s = now_s + wait_s


class DeliveryQueue:
    """Messages of one thread's, which calls `round` again and again; waiting: what was kept."""

    def __init__(
        self,
        targets: list[Target],
        waiting: list[dict[str, Any]],
        deliver: Deliver = send,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.deliver, self.now_s = deliver, now_s
        self.lines = {target.name: Recipient(target) for target in targets}
        self.letters = [_letter(memo, now_s()) for memo in waiting if memo["target"] in self.lines]
        self.ended: queue.Queue[Attempt] = queue.Queue()

    def add(self, note: Notification, wall_s: float) -> None:
        """A message for a person's addresses, in place of an older one with the same key."""
        for name, line in self.lines.items():
            if line.target.person == "second" and not note.second:
                continue
            new = Letter(name, note, wall_s, self.now_s())
            for old in [letter for letter in self.letters if _same(letter, new)]:
                self.letters.remove(old)
                if old.note.urgent:  # a reminder of what has not gone out waits as long as that
                    new.since_s, new.tries = old.since_s, old.tries
            self.letters.append(new)

    def round(self, patience_s: float) -> int:
        """Try what may be tried, and wait a little for what is on the way; how many went out."""
        until_s = time.monotonic() + patience_s
        out = 0
        failed: set[str] = set()
        while True:
            self._start(failed)
            if self.ended.empty() and not any(line.attempt for line in self.lines.values()):
                break
            try:
                attempt = self.ended.get(timeout=max(until_s - time.monotonic(), 0.0))
            except queue.Empty:
                break
            if self._came_back(attempt):
                out += 1
            else:
                failed.add(attempt.letter.target)
        self._leave_behind()
        return out

    def _start(self, failed: set[str]) -> None:
        """Begin a try for every address that is free; the urgent first, then the least tried.

        failed: addresses that have had their try in this round.
        """
        now_s = self.now_s()
        for name, line in self.lines.items():
            own = [letter for letter in self.letters if letter.target == name]
            busy = line.attempt is not None or line.again_s > now_s or name in failed
            if busy or not own:
                continue
            letter = min(own, key=lambda letter_of: (not letter_of.note.urgent, letter_of.tries))
            letter.tries += 1
            line.attempt = Attempt(letter, now_s)
            threading.Thread(
                target=self._deliver, args=(line.target, line.attempt), daemon=True, name=name
            ).start()

    def _deliver(self, target: Target, attempt: Attempt) -> None:
        note = attempt.letter.note
        answers = bool(note.mark) and reply_topic(target.address) is not None
        how = note.by_button if answers else note.elsewhere
        body = f"{note.body}\n{how}" if how else note.body
        more = {"mark": note.mark, "button": note.button} if answers else {}
        try:
            self.deliver(target, note.title, body, urgent=note.urgent, **more)
        except ReachError as error:
            attempt.error = str(error)
        except Exception as error:  # whatever it is: its text may hold the address
            attempt.error = f"{target.name}: failed: {type(error).__name__}"
        self.ended.put(attempt)

    def _came_back(self, attempt: Attempt) -> bool:
        """Take note of a try that has ended, in time or late; whether the message went out."""
        line = self.lines[attempt.letter.target]
        if line.attempt is attempt:
            line.attempt = None
        else:
            line.left_behind -= 1
        if attempt.error is not None:
            line.failed = attempt.error
            line.wait(self.now_s())
            return False
        if attempt.letter in self.letters:
            self.letters.remove(attempt.letter)
        line.failed = ""
        line.backoff.reset()
        line.again_s = self.now_s()
        return True

    def _leave_behind(self) -> None:
        now_s = self.now_s()
        for name, line in self.lines.items():
            if line.attempt is not None and now_s - line.attempt.began_s >= _ANSWERS_WITHIN_S:
                line.attempt = None
                line.left_behind += 1
                line.failed = f"{name}: no answer within {_ANSWERS_WITHIN_S:.0f} s"
                line.wait(now_s)

    def trouble(self) -> str:
        """Why messages do not arrive; empty when nothing is known against it."""
        now_s = self.now_s()
        failures = [line.failed for line in self.lines.values() if line.failed]
        for name, line in self.lines.items():
            own = [
                letter.since_s
                for letter in self.letters
                if letter.target == name and letter.note.urgent
            ]
            waited_s = now_s - min(own, default=now_s)
            if waited_s >= _URGENT_WITHIN_S and not line.failed:
                failures.append(f"{name}: an urgent message has waited for {waited_s:.0f} s")
        return "; ".join(failures)

    def drop_old(self, wall_s: float) -> None:
        """Forget what is too old to be news."""
        for old in [letter for letter in self.letters if wall_s - letter.wall_s > _STALE_S]:
            log.warning("phone: %s was not told %s: it is too old now", old.target, old.note.key)
            self.letters.remove(old)

    def as_memo(self) -> list[dict[str, Any]]:
        """What waits, as plain values."""
        return [letter.as_memo() for letter in self.letters]


def _letter(memo: dict[str, Any], now_s: float) -> Letter:
    note = {key: value for key, value in memo.items() if key not in {"target", "wall_s"}}
    return Letter(memo["target"], Notification(**note), memo["wall_s"], now_s)


def _same(first: Letter, other: Letter) -> bool:
    return (first.target, first.note.key) == (other.target, other.note.key)
