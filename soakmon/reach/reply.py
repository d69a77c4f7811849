"""Acknowledging from the message itself: a button that writes to a second topic of its server.

The button works wherever the phone does, since the bench asks the same server that brought the
message, and nobody needs to reach the bench. It writes the alarm's mark, which only the message
has told; with it an alarm can be acknowledged, and nothing else be done.
"""

from __future__ import annotations

import json
import logging
import re
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from contextlib import suppress
from urllib.parse import parse_qs, quote, urlsplit

import httpx

from soakmon.reach.supervise import LeftBehind

log = logging.getLogger(__name__)
_SCHEMES = {"ntfys": "https", "ntfy": "http"}
_TOPIC = re.compile(r"/([-\w]{1,57})/?")
_MARK = re.compile(r"[-\w]{1,40}")
_SEEN = "-seen"
# What the address says about signing in would have to stand in the button, for all to read.
_SIGNS_IN = {"auth", "token", "mode"}
_ANSWERS_S, _MOST_BYTES = 5.0, 65536
# A trial looks back an hour, for clocks that differ.
_ASKS_EVERY_S, _TRIAL_S = 2.0, 3600.0


def reply_topic(address: str) -> str | None:
    """Where a button in a message to this address can write to; None where there is none."""
    try:
        parts = urlsplit(address)
        asked = parse_qs(parts.query)
        place = parts.netloc if parts.port is None or parts.port > 0 else ""
    except ValueError:
        return None
    topic = _TOPIC.fullmatch(parts.path)
    signs_in = "@" in parts.netloc or _SIGNS_IN & set(asked) or "actions" in asked
    if parts.scheme not in _SCHEMES or topic is None or not place or signs_in:
        return None
    return f"{_SCHEMES[parts.scheme]}://{place}/{topic[1]}{_SEEN}"


def with_button(address: str, label: str, mark: str) -> str:
    """The address of a message with a button that writes the mark."""
    topic = reply_topic(address)
    if topic is None or not _MARK.fullmatch(mark):
        return address
    action = f"http, {label}, {topic}, method=POST, body={mark}, clear=true"
    joint = "&" if "?" in address else "?"
    return f"{address}{joint}actions={quote(action, safe='')}"


def marks_on(topic: str, since_wall_s: float) -> set[str]:
    """The marks that were written to a topic since then. Raises httpx.HTTPError."""
    query = {"poll": "1", "since": str(int(since_wall_s))}
    stream = b""
    with (
        httpx.Client(timeout=_ANSWERS_S, follow_redirects=False) as http,
        http.stream("GET", f"{topic}/json", params=query) as answer,
    ):
        answer.raise_for_status()
        for piece in answer.iter_bytes():
            stream += piece
            if len(stream) > _MOST_BYTES:
                break
    marks = set()
    for line in stream.decode("utf-8", "replace").splitlines():
        with suppress(ValueError, AttributeError):
            mark = str(json.loads(line).get("message", ""))
            if _MARK.fullmatch(mark):
                marks.add(mark)
    return marks


def was_heard(
    topics: list[str], mark: str, within_s: float, sleep: Callable[[float], None] = time.sleep
) -> bool:
    """Whether a mark is written to one of the topics in time."""
    since_s, left_s = time.time() - _TRIAL_S, within_s
    while topics and left_s > 0:
        for topic in topics:
            # A server that does not answer is asked again.
            with suppress(httpx.HTTPError, OSError):
                if mark in marks_on(topic, since_s):
                    return True
        sleep(_ASKS_EVERY_S)
        left_s -= _ASKS_EVERY_S
    return False


class ReplyEar:
    """Asks the topics now and then, in threads that nobody waits for; tells each mark once."""

    def __init__(
        self,
        every_s: float = 5.0,
        now_s: Callable[[], float] = time.monotonic,
        ask: Callable[[str, float], set[str]] = marks_on,
    ) -> None:
        self.every_s, self.now_s, self.ask = every_s, now_s, ask
        self.pool = LeftBehind()
        self.asked: dict[str, Future[set[str]]] = {}
        self.again_s: dict[str, float] = {}
        self.seen_marks: set[str] = set()

    def hear(self, topics: Iterable[str], since_wall_s: float) -> set[str]:
        """Marks that are new; what is asked now is heard at a later call."""
        marks: set[str] = set()
        for topic in topics:
            asked = self.asked.get(topic)
            if asked is not None and not asked.done():
                continue
            if asked is not None:
                marks |= _answer(asked)
                del self.asked[topic]
            if self.now_s() >= self.again_s.get(topic, float("-inf")):
                self.again_s[topic] = self.now_s() + self.every_s
                self.asked[topic] = self.pool.submit(self.ask, topic, since_wall_s)
        new = marks - self.seen_marks
        self.seen_marks |= new
        return new


def _answer(asked: Future[set[str]]) -> set[str]:
    """What was heard; a server that does not answer is asked again. Its name is not logged."""
    try:
        return asked.result()
    except Exception as error:  # an alarm can be acknowledged elsewhere
        log.info("phone: a reply cannot be heard: %s", type(error).__name__)
        return set()
