"""Point by point and alarm by alarm: what the journals hold against what has arrived."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sim.hall import HallBench
from soakmon.bench_address import address_of, parts_of
from soakmon.reach.points import Origin, Point, of_batch, of_event
from soakmon.records.identity import bench_id
from soakmon.records.outbox import Outbox
from tests.reach.metrics import Series

Samples = dict[Series, list[tuple[int, float]]]
UID = re.compile(r"[0-9a-f]{12}")


@dataclass(slots=True)
class Found:
    """What was compared: how many there should be, how many are missing, doubled, or nobody's."""

    wanted: int = 0
    missing: int = 0
    doubled: int = 0
    strange: int = 0
    first: list[str] = field(default_factory=list)

    @property
    def well(self) -> bool:
        """Whether all is there, once."""
        return not (self.missing or self.doubled or self.strange)

    def note(self, what: str) -> None:
        """Remember one of the first that are wrong."""
        if len(self.first) < 5:
            self.first.append(what)


def points_of(folder: Path, plan: HallBench) -> list[Point]:
    """All points that a bench's journal makes, of the version that sent them."""
    shop = plan.shop or ("shop-1" if plan.earlier else "")
    own = Origin(address_of(shop, plan.name), bench_id(folder))
    upgraded = folder / "upgraded.json"
    cut = json.loads(upgraded.read_text()) if upgraded.exists() else {"batch": 0, "event": 0}
    before = Origin(plan.name, "", by_job=True)
    if plan.earlier and not upgraded.exists():
        cut = {"batch": 2**62, "event": 2**62}
    box, made = Outbox(folder / "journal.db", "compare"), []
    for (soak,) in box.connection.execute("SELECT id FROM soak").fetchall():
        job = box.soak(soak)[1]
        for batch in box.batches_of(soak):
            made += of_batch(before if batch.id <= cut["batch"] else own, batch)
        for event in box.events_of(soak):
            made += of_event(before if event.id <= cut["event"] else own, job, event)
    box.close()
    return made


def as_samples(points: list[Point]) -> Samples:
    """As the server keeps them: to the millisecond, texts as 0."""
    found: Samples = {}
    for point in points:
        for name, value in point.fields.items():
            series = f"{point.measurement}_{name}", frozenset(point.tags.items())
            number = 0.0 if isinstance(value, str) else float(value)
            found.setdefault(series, []).append((point.time_ns // 1_000_000, number))
    return {series: sorted(pairs) for series, pairs in found.items()}


def compared(wanted: Samples, held: Samples) -> Found:
    """Every sample that there should be against all that are there; values to a millionth."""
    found = Found(sum(map(len, wanted.values())))
    for series in wanted.keys() | held.keys():
        # Two that say the same of the same moment are one sample.
        own = Counter({*_rounded(wanted.get(series, []))})
        there = Counter(_rounded(held.get(series, [])))
        for pair, count in own.items():
            if there[pair] < count:
                found.missing += count - there[pair]
                found.note(f"missing {series} {pair}")
        for pair, count in there.items():
            if pair not in own:
                found.strange += count
                found.note(f"strange {series} {pair}")
            elif count > own[pair]:
                found.doubled += count - own[pair]
                found.note(f"doubled {series} {pair}")
    return found


def _rounded(pairs: list[tuple[int, float]]) -> list[tuple[int, str]]:
    return [(at, f"{value:.6g}") for at, value in pairs]


def alarms_compared(wanted: list[str], heard: list[str], *, twice_is_well: bool = False) -> Found:
    """Marks of alarms against those that arrived; twice_is_well: after a crash it may be so."""
    found, there = Found(len(wanted)), Counter(heard)
    for uid in wanted:
        if not there[uid]:
            found.missing += 1
            found.note(f"missing {uid}")
        elif there[uid] > 1 and not twice_is_well:
            found.doubled += there[uid] - 1
            found.note(f"doubled {uid}")
    for uid in there.keys() - set(wanted):
        found.strange += there[uid]
        found.note(f"strange {uid}")
    return found


def silent_compared(wanted: list[str], named: list[str], counted: Counter[str]) -> Found:
    """Addresses of the benches that fell silent against those that messages named, and of how many
    of a shop they spoke beside: those make up for as many that were not named.
    """
    found = alarms_compared(wanted, named)
    left = Counter(parts_of(address)[0] for address in set(wanted) - set(named))
    for shop in left.keys() | counted.keys():
        found.missing -= min(left[shop], counted[shop])
        found.doubled += max(counted[shop] - left[shop], 0)
        if left[shop] != counted[shop]:
            found.note(f"of {shop} {left[shop]} were not named, and {counted[shop]} counted")
    return found


def alarms_of(folder: Path) -> list[tuple[str, float]]:
    """Mark and wall time (s) of each alarm of a bench's journal."""
    box = Outbox(folder / "journal.db", "compare")
    rows = box.connection.execute("SELECT data, wall_s FROM event WHERE kind = 'alarm'").fetchall()
    box.close()
    return [(str(json.loads(data)["uid"]), float(wall_s)) for data, wall_s in rows]


def heard_on(file: Path, last: str) -> list[dict[str, Any]]:
    """Payloads that an outsider heard on topics that end so."""
    found = []
    for line in file.read_text(encoding="utf-8").splitlines():
        one = json.loads(line)
        if one["topic"].endswith(f"/{last}"):
            payload = one["payload"]
            found.append(json.loads(payload) if isinstance(payload, str) else payload)
    return found
