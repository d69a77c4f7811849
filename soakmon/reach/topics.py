"""MQTT topics and payloads of a bench, as plain values.

Every payload is a JSON object with its schema, units in its keys and `taken_at` (UTC).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from soakmon.bench.bench_status import BenchStatus
from soakmon.bench_address import NAME, address_of
from soakmon.records.events import DropTimes
from soakmon.records.journal import Event
from soakmon.watch.phase import Phase

_PLACE = re.compile(rf"((?:{NAME}/)?{NAME})/([a-z]+)")
# Of alarms that wait, and of those that were acknowledged, the state tells the latest.
MOST_LISTED = 3
COMMANDS = ("acknowledge", "isolate", "end")
_STATE = (
    "phase", "reason", "soak", "t_s", "soaked_s", "left_s", "feed_open", "drops", "cell_trouble",
    "journal_trouble", "guard_trouble", "phone_trouble", "vapour_alarm", "dry_at_wall_s",
    "latch", "interruptions",
)  # fmt: skip
# What moves all the time is sent with the heartbeat.
_MOVING = ("taken_at", "t_s", "soaked_s", "left_s", "dry_at_wall_s")


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one bench, and whose they are: names can be given twice.

    bench_id: of the installation; run: of the process; shop: empty where there is but one.
    """

    prefix: str
    bench: str
    bench_id: str = ""
    run: str = ""
    shop: str = ""

    @property
    def address(self) -> str:
        """The bench among all on the broker: bench, or shop/bench."""
        return address_of(self.shop, self.bench)

    @property
    def whose(self) -> dict[str, str]:
        """The identity, in what is told of a soak."""
        return {"bench_id": self.bench_id} if self.bench_id else {}

    @property
    def marks(self) -> dict[str, str]:
        """What tells benches of one name apart, in state and availability."""
        return {"bench_id": self.bench_id, "run": self.run} if self.run else {}

    def of(self, name: str) -> str:
        """soakmon/<bench>/<name>, or soakmon/<shop>/<bench>/<name>."""
        return f"{self.prefix}/{self.address}/{name}"

    def of_identity(self, bench_id: str) -> str:
        """Where it is asked whether another bench has this identity; no bench can be named so."""
        return f"{self.prefix}/_identity/{bench_id}"

    def command(self, name: str) -> str:
        """Where a command is taken."""
        return self.of(f"command/{name}")


@dataclass(frozen=True, slots=True)
class Message:
    """Something to publish; an empty payload clears a retained topic."""

    topic: str
    payload: str
    retain: bool
    qos: int = 1


def all_benches(prefix: str, names: Iterable[str], shop: str = "") -> list[str]:
    """What to subscribe to for the topics `names` of all benches, or of those of one shop."""
    if shop:
        return [f"{prefix}/{shop}/+/{name}" for name in names]
    return [f"{prefix}/{places}/{name}" for places in ("+", "+/+") for name in names]


def place_of(topic: str) -> tuple[str, str] | None:
    """Of a topic below the prefix: the bench's address, bench or shop/bench, and its last part.

    None for what is no bench's.
    """
    match = _PLACE.fullmatch(topic)
    return None if match is None else (match[1], match[2])


def utc(wall_s: float) -> str:
    """Wall time as ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="milliseconds")


def body(schema: str, wall_s: float, **values: Any) -> str:
    """A payload."""
    return json.dumps({"schema": f"soakmon.{schema}/1", "taken_at": utc(wall_s)} | values)


def opened(payload: bytes) -> dict[str, Any]:
    """What a payload holds; what is not a JSON object counts as empty."""
    try:
        content = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def availability(topics: Topics, wall_s: float, state: str, reason: str) -> Message:
    """Birth, last will and farewell; the last will's `taken_at` is when the connection was made."""
    payload = body(
        "availability", wall_s, bench=topics.bench, state=state, reason=reason, **topics.marks
    )
    return Message(topics.of("availability"), payload, retain=True)


def retained(
    topics: Topics, status: BenchStatus, wall_s: float, phone_trouble: str = ""
) -> dict[str, Message]:
    """What is kept on the broker: state, phase and verdict as they are now."""
    taken_s = wall_s if status.wall_s is None else status.wall_s
    sent = status.as_dict() | {"phone_trouble": phone_trouble}
    state = {key: sent[key] for key in _STATE if key in sent}
    state["alarms_total"] = len(status.alarms)
    state["alarms_waiting"] = len(status.waiting)
    state |= latest_alarms(status)
    phase = {"phase": status.phase, "reason": status.reason, "soak": status.soak, **topics.whose}
    final = {"final": status.phase is Phase.ENDED, "soak": status.soak, **topics.whose}
    verdict = status.verdict
    topics_now = (
        ""
        if verdict is None
        else json.dumps(verdict.as_dict() | {"taken_at": utc(taken_s)} | final)
    )
    return {
        "state": Message(
            topics.of("state"), body("state", taken_s, **state, **topics.marks), retain=True
        ),
        "phase": Message(topics.of("phase"), body("phase", taken_s, **phase), retain=True),
        "verdict": Message(topics.of("verdict"), topics_now, retain=True),
    }


def latest_alarms(status: BenchStatus) -> dict[str, list[dict[str, Any]]]:
    """The latest alarms that wait, and that were acknowledged, with by whom; none is not said."""
    latest: dict[str, list[dict[str, Any]]] = {}
    for alarm in reversed(status.alarms):
        about: dict[str, Any] = {"kind": alarm.kind, "carb": alarm.carb, "text": alarm.text}
        if alarm.acknowledged:
            about["by"] = alarm.acknowledged_by
        place = latest.setdefault("acknowledged" if alarm.acknowledged else "waiting", [])
        if len(place) < MOST_LISTED:
            place.append(about)
    return latest


def readings(topics: Topics, status: BenchStatus) -> Message | None:
    """The readings of a second; None when there are none yet."""
    if status.wall_s is None:
        return None
    payload = body(
        "readings", status.wall_s, t_s=status.t_s, mass_g=status.mass_g, air_c=status.air_c,
        drops=status.drops,
    )  # fmt: skip
    return Message(topics.of("readings"), payload, retain=False, qos=0)


def of_event(topics: Topics, event: Event) -> list[Message]:
    """What is published of an event; `id` is its number in the journal, where it has one yet.

    Numbers, and the `uid` of an alarm, show what came twice.
    """
    common = {"id": event.id or None, "soak": event.soak, **topics.whose}
    if event.kind == "alarm":
        payload = body("alarm", event.wall_s, **common, **event.data)
        return [Message(topics.of("alarms"), payload, retain=False)]
    if event.kind == DropTimes.KIND:
        drops = [_drop(*drop) for drop in DropTimes.model_validate(event.data).drops]
        payload = body("drops", event.wall_s, **common, t_s=event.t_s, drops=drops)
        return [Message(topics.of("drops"), payload, retain=False)]
    return []


def _drop(carb: int, t_s: float, dark_ms: float | None = None) -> dict[str, float]:
    """A drop as published; dark_ms: how long the beam was dark, where it was written down."""
    drop: dict[str, float] = {"carb": carb, "t_s": t_s}
    return drop if dark_ms is None else drop | {"dark_ms": dark_ms}


def same(first: Message | None, other: Message) -> bool:
    """Whether two messages say the same but for the time."""
    if first is None or bool(first.payload) != bool(other.payload):
        return False
    if not other.payload:
        return True
    still = dict.fromkeys(_MOVING)
    before, now = json.loads(first.payload), json.loads(other.payload)
    return bool(before | still == now | still)
