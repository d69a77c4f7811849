"""Which of several lookouts tells people: one leads, and another takes over when it falls silent.

The leader renews a message that the broker keeps; everybody counts by their own clock from when it
was heard last, so that no two clocks need agree. A lookout leads while it has heard its own message
of late, and gives up well before another may take over. Pure: values in, messages out.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from soakmon.reach.topics import Message, body

_SETTLES_S = 1.0
_MOST_KEYS, _MOST_KEY = 20_000, 200


@dataclass(frozen=True, slots=True)
class LookoutClaim:
    """What a lookout has published: its run, its term, and what people have been told."""

    run: str
    term: int
    sent_keys: frozenset[str]


class Leadership:
    """One lookout's part; run: of its process, lead_s: after which another takes over, s.

    Times are monotonic, s.
    """

    def __init__(self, topic: str, run: str, lead_s: float) -> None:
        self.topic, self.run, self.lead_s = topic, run, lead_s
        self.term = 0  # of our own claim; 0 while we have none
        self.connected_s: float | None = None
        self.other: LookoutClaim | None = None
        self.other_s = float("-inf")
        self.claimed_s = self.echo_s = self.sent_s = float("-inf")
        self.sent: frozenset[str] = frozenset()

    def connection(self, connected: bool, now_s: float) -> None:
        """The connection to the broker came or went."""
        self.connected_s = now_s if connected else None

    def take(self, payload: bytes, now_s: float) -> LookoutClaim | None:
        """A message on the topic; what another lookout says, None for our own or nonsense."""
        claim = _claim_in(payload)
        if claim is None:
            return None
        if claim.run == self.run:
            self.echo_s = now_s if claim.term == self.term else self.echo_s
            return None
        if (claim.term, claim.run) > (self.term, self.run):
            self.other, self.other_s = claim, now_s
            self.term = 0
        elif self.term:
            self.sent_s = float("-inf")  # it does not know of us: say so at once
        return claim

    def leads(self, now_s: float) -> bool:
        """Whether this lookout tells."""
        if self.connected_s is None or not self.term or now_s - self.claimed_s < _SETTLES_S:
            return False
        heard = now_s - self.echo_s < 2 / 3 * self.lead_s
        # Where the broker passes our claims on to nobody, each lookout tells, as if it were alone.
        return heard or (self.unheard(now_s) and now_s - self.other_s >= self.lead_s)

    def unheard(self, now_s: float) -> bool:
        """Whether the broker throws our claims away."""
        return bool(self.term) and self.echo_s < self.claimed_s <= now_s - 2 / 3 * self.lead_s

    def due(self, now_s: float, sent_keys: Collection[str]) -> Message | None:
        """What is to be published now: a claim, or our message again with what has been told."""
        if self.connected_s is None:
            return None
        if not self.term:
            alive = now_s - self.other_s < self.lead_s
            if alive or now_s - self.connected_s < _SETTLES_S:
                return None
            self.term = 1 + (self.other.term if self.other is not None else 0)
            self.claimed_s, self.sent_s = now_s, float("-inf")
        known = frozenset(sent_keys)
        if now_s - self.sent_s < self.lead_s / 3 and known == self.sent:
            return None
        self.sent_s, self.sent = now_s, known
        return Message(self.topic, self._payload(known), retain=True)

    def _payload(self, sent_keys: Collection[str]) -> str:
        return body("lookout", 0.0, run=self.run, term=self.term, told=sorted(sent_keys))


def _claim_in(payload: bytes) -> LookoutClaim | None:
    """What a payload says; None for what no lookout wrote."""
    try:
        content: Any = json.loads(payload)
        run, term, sent_keys = content["run"], content["term"], content["told"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    good = isinstance(run, str) and isinstance(sent_keys, list) and isinstance(term, int)
    if not good or content.get("schema") != "soakmon.lookout/1" or not 0 <= term < 2**53:
        return None
    keys = [key for key in sent_keys[:_MOST_KEYS] if isinstance(key, str) and len(key) <= _MOST_KEY]
    return LookoutClaim(run[:_MOST_KEY], term, frozenset(keys))


def claim_of_follower(payload: bytes) -> LookoutClaim | None:
    """What a lookout that does not lead has told all the same; None for nonsense."""
    try:
        content: Any = json.loads(payload)
        content = {"schema": "soakmon.lookout/1", "term": 0, "run": content["run"]} | {
            "told": content["told"]
        }
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return _claim_in(json.dumps(content).encode())
