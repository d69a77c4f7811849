"""May this bench speak under its name and identity? Two at once are refused, and told.

Who connects asks on the topics of both; who is there already answers, and who gets an answer keeps
still until none comes any more. Alarms do not wait: nobody waits for an answer longer than half a
second, and one that comes later still counts. Pure but for the clock that it is given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from soakmon.reach.topics import Message, Topics, body, opened
from soakmon.texts import say

ASKS_EVERY_S = 10.0
_FREE_AFTER_S = 30.0
_TWIN_FOR_S = 600.0


@dataclass(frozen=True, slots=True)
class _Other:
    """Whom an answer or a question came from, and by which of the two it clashed, monotonic s."""

    at_s: float
    address: str
    by_name: bool


class Claim:
    """One run's claim; now_s: monotonic s, wall_s: since 1970.

    refusal: why it must keep still, "" when it need not; rival: why people are told of two, for
    ten minutes after the last sign of it.
    """

    def __init__(
        self, topics: Topics, now_s: Callable[[], float], wall_s: Callable[[], float]
    ) -> None:
        self.topics, self.now_s, self.wall_s = topics, now_s, wall_s
        self.held = False
        self.answered: _Other | None = None
        self.heard: _Other | None = None

    @property
    def places(self) -> list[str]:
        """Where it is asked: under the bench's own name, and under its identity if it has one."""
        own = [self.topics.of("identity")]
        if self.topics.bench_id:
            own.append(self.topics.of_identity(self.topics.bench_id))
        return own

    def questions(self) -> list[Message]:
        """What is published to ask."""
        return [self._message(place, asks=True, held=self.held) for place in self.places]

    def _message(self, place: str, **values: Any) -> Message:
        payload = body(
            "identity", self.wall_s(), bench=self.topics.address, **self.topics.marks, **values
        )
        return Message(place, payload, retain=False)

    def take(self, topic: str, payload: bytes) -> Message | None:
        """A message on one of the places; what is to be answered."""
        content = opened(payload)
        run = content.get("run")
        if topic not in self.places or not isinstance(run, str) or run == self.topics.run:
            return None
        address = str(content.get("bench", ""))[:80]
        other = _Other(self.now_s(), address, topic == self.topics.of("identity"))
        if content.get("asks") is True:
            self.heard = other
            # Who has spoken gives way to none that has not; of two alike one must, and only one.
            stronger = self.held, run
            weaker = content.get("held") is True, self.topics.run
            if self.refusal or stronger <= weaker:
                return None
            return self._message(topic, to=run, to_bench=address)
        if content.get("to") == self.topics.run:
            self.answered = self.heard = other
            self.held = False
        return None

    def speaks(self) -> None:
        """Nobody has answered: the name is ours."""
        self.held = True

    @property
    def refusal(self) -> str:
        """Why it must keep still; an answer holds for half a minute, in which it is asked again."""
        if self.answered is None or self.now_s() - self.answered.at_s > _FREE_AFTER_S:
            return ""
        return say("claim.keeps_still", why=_why(self.topics, self.answered))

    @property
    def rival(self) -> str:
        """Why people are told that there are two; empty when none was heard of late."""
        if self.heard is None or self.now_s() - self.heard.at_s > _TWIN_FOR_S:
            return ""
        return _why(self.topics, self.heard)


def _why(topics: Topics, other: _Other) -> str:
    if other.by_name:
        return say("claim.same_name", name=topics.address)
    return say("claim.same_identity", other=other.address or "?")
