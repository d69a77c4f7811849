"""One bench of the hall: a real journal and the real outlets, without decider and page."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from sim.hall import Hall, HallBench
from soakmon.bench.bench_status import AlarmStatus, BenchStatus
from soakmon.reach.backoff import Backoff
from soakmon.reach.event_inbox import ALARMS, FOR_PEOPLE, EventInbox
from soakmon.reach.health import Board, State
from soakmon.reach.influx_outlet import InfluxOutlet
from soakmon.reach.mqtt_outlet import MqttOutlet
from soakmon.reach.phone_outlet import PhoneOutlet
from soakmon.reach.supervise import supervise
from soakmon.reach.topics import Topics
from soakmon.records.journal import Anchor
from soakmon.records.outbox import Outbox
from soakmon.watch.phase import Phase
from tests.reach.bench import AtOnce, FakeService, bench_with

_ESTIMATE_S = 300
TITLE = "invented rack"


@dataclass(frozen=True, slots=True)
class Places:
    """Where the servers are, and the hall's clock.

    began_s: monotonic time at which the hall begins; wall_s: the wall time that it has then; pace:
    seconds of the hall in one of ours.
    """

    broker: int
    store: str
    database: str
    phone: int
    began_s: float
    wall_s: float
    pace: float
    readings_every_s: float
    catch_up: float

    def hall_s(self) -> float:
        """Seconds since the hall began, by its clock."""
        return self.pace * (time.monotonic() - self.began_s)

    def wall(self) -> float:
        """Wall time by its clock, s."""
        return self.wall_s + self.hall_s()


class HallService(FakeService):
    """What the outlets ask of a service, told by the hall's plan."""

    def __init__(self, folder: Path, plan: HallBench, hall: Hall, places: Places) -> None:
        self.plan, self.hall, self.places = plan, hall, places
        self.earlier = plan.earlier and places.hall_s() < (hall.mishaps.upgrade_s or 0.0)
        shop = "" if self.earlier else plan.shop or "shop-1"
        super().__init__(folder, self._described(shop))
        self.journal.connection.execute("PRAGMA synchronous = OFF")
        self.clock = SimpleNamespace(wall_s=places.wall)
        self.status = BenchStatus(bench=plan.name)
        found = self.journal.resume()
        self.read_s = round(places.hall_s()) + 1
        self.told = [self.journal.holds_alarm(plan.uid(k)) for k in range(len(plan.alarms_s))]
        self.begun = found is not None
        if found is not None:
            self.status = self.status.but(phase=Phase.SOAKING, soak=self.journal.soak)

    def _described(self, shop: str) -> Any:
        places, plan = self.places, self.plan
        return bench_with(
            service={"name": plan.name, "shop": shop},
            mqtt={
                "enabled": True, "host": "127.0.0.1", "port": places.broker,
                "readings_every_s": places.readings_every_s,
            },
            influx={
                "enabled": True, "url": places.store, "by_job": self.earlier,
                "catch_up": places.catch_up,
            },
            phone={"enabled": True, "urls": [f"json://127.0.0.1:{places.phone}/{plan.name}"]},
        )  # fmt: skip

    def begin(self) -> None:
        """Its soak begins."""
        self.now_s = self.places.wall()
        self.start(f"2026-{self.plan.number + 1:04d}")
        self.begun = True
        self.read_s = round(self.places.hall_s())
        self.status = BenchStatus(bench=self.plan.name, phase=Phase.SOAKING, soak=self.journal.soak)
        self.event("phase", phase="soaking", reason="it settled")

    def end(self, reason: str) -> None:
        """Its soak is over."""
        self.event("phase", phase="ended", reason=reason)
        self.journal.commit()
        self.status = self.status.but(phase=Phase.ENDED)

    def tick(self) -> None:
        """Read what is due by now, and raise the alarms that are."""
        to_s = int(self.places.hall_s())
        if to_s <= self.read_s or not self.begun:
            return
        rows = self.hall.readings(self.plan, self.read_s, to_s)
        self.now_s, self.t_s = self.places.wall_s + to_s, float(to_s)
        anchor = Anchor("boot", self.t_s, self.t_s, self.now_s, True)
        self.journal.add_rows(rows, anchor)
        fallen = np.argwhere(rows.drops > 0)
        if len(fallen):
            drops = [(int(gate) + 1, float(rows.t_s[row]), 12.0) for row, gate in fallen]
            self.event("drops", drops=drops)
        if self.read_s // _ESTIMATE_S != to_s // _ESTIMATE_S:
            band = {"best": 0.2, "low": 0.1, "high": 0.3}
            self.event(
                "estimate", observed_loss_g=1.0, expected_evaporation_g=band, leak_g_per_h=band,
                loss_g_per_h=0.2, expected_g_per_h=band,
            )  # fmt: skip
        self.read_s = to_s
        self.status = self.status.but(
            wall_s=self.now_s, t_s=self.t_s, soaked_s=self.t_s, mass_g=float(rows.mass_g[-1]),
            air_c=float(rows.air_c[-1]), feed_open=True, drops=(0, 0, 0, 0),
        )  # fmt: skip
        for place, at_s in enumerate(self.plan.alarms_s):
            if not self.told[place] and to_s >= at_s:
                self._raise(place)

    def _raise(self, place: int) -> None:
        self.told[place] = True
        uid = self.plan.uid(place)
        data = {
            "t_s": self.t_s, "kind": "weep", "carb": (self.plan.weeps or 0) + 1,
            "leak_g_per_h": 0.4, "text": f"invented {uid} at {self.places.wall():.3f}", "uid": uid,
        }  # fmt: skip
        self.tell("alarm", **data)
        self.now_s = self.places.wall()
        self.event("alarm", **data)
        self.journal.commit()
        self.status = self.status.but(alarms=(AlarmStatus.model_validate(data),))


class HallBenchRun:
    """A bench with its outlets, from its power-on to its power-off."""

    def __init__(self, folder: Path, plan: HallBench, hall: Hall, places: Places) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.places = places
        self.service = service = HallService(folder, plan, hall, places)
        self.board = Board(places.wall)
        for name in ("mqtt", "influx", "phone"):
            self.board.add(name, State.STARTING)
        for_people = EventInbox(FOR_PEOPLE, places.wall)
        for_broker = EventInbox(ALARMS, places.wall)
        service.listeners += [for_people.hear, for_broker.hear]
        path = service.journal.path
        self.backoff = Backoff()
        self.mqtt = MqttOutlet(service, Outbox(path, "mqtt"), self.board, self.backoff, for_broker)
        if service.earlier:  # which knew no identities
            own = self.mqtt.topics
            self.mqtt.topics = Topics(own.prefix, own.bench)
        self.mqtt.aside = AtOnce()
        self.influx = InfluxOutlet(
            service.bench.service.address, service.bench.influx, path, self.board,
            wall_s=places.wall, now_s=places.hall_s,
        )  # fmt: skip
        self.phone = PhoneOutlet(
            service.bench, path, self.board, status=lambda: service.status, wall_s=places.wall,
            heard=for_people,
        )  # fmt: skip
        self.phone.aside = AtOnce()
        self.influx_at_s = self.phone_at_s = 0.0
        self.influx_waits = Backoff()

    async def run(self) -> None:
        """Its connection to the broker, until cancelled."""
        await supervise("mqtt", self.mqtt.work, self.board, self.backoff)

    def open(self) -> None:
        """As their threads would."""
        self.influx.open()
        self.phone.open()

    def waiting(self) -> int:
        """What has not gone out."""
        boxes = (self.mqtt.outbox, self.influx.outbox)
        left = sum(box.events_waiting() for box in boxes) + self.influx.outbox.batches_waiting()
        return left + len(self.phone.post.letters)

    def close(self) -> None:
        """Let go of the files."""
        self.influx.close()
        for one in (self.mqtt, self.influx, self.phone):
            one.outbox.close()
        self.service.journal.close()
