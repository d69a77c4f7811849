"""One hall from its power-on to the comparison: servers, benches, pages, lookouts, mishaps."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from sim.hall import Hall, Mishaps
from tests.hall import compare
from tests.hall.phones import Phones
from tests.hall.servers import (
    Cost,
    HallBroker,
    HallDatabase,
    HallStore,
    cpu_s,
    wait_until,
)
from tests.reach.broker import tool

NAMED = re.compile(r"(?:shop-\d+/)?bench-\d{4}")
COUNTED = re.compile(r"(\d+) benches of the shop ([a-z0-9-]+)")
IDLE_S, _AGAIN_S = 30.0, 1.5
SERVERS = ("broker", "store", "database")


@dataclass(slots=True)
class Order:
    """What is to be run. length_s: of the hall's own time; pace: its seconds in one of ours."""

    benches: int
    length_s: float
    mishaps: Mishaps
    pace: float = 1.0
    shops: int = 4
    seed: int = 1
    pages: int = 20
    shares: int = 3
    readings_every_s: float = 1.0
    catch_up: float = 0.0
    records: bool = True
    settle_s: float = 900.0


@dataclass(slots=True)
class Told:
    """What came of it: costs of the quiet part by server, and what was compared."""

    benches: int
    quiet_s: float = 0.0
    costs: dict[str, Cost] = field(default_factory=dict)
    idle: dict[str, Cost] = field(default_factory=dict)
    clients_cpu_s: dict[str, float] = field(default_factory=dict)
    found: dict[str, compare.Found] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    most_connections: int = 0
    rates: list[tuple[float, int]] = field(default_factory=list)

    @property
    def well(self) -> bool:
        """Whether nothing was lost, and nothing told twice."""
        return all(one.well for one in self.found.values())


class HallRun:
    """Runs an order in a folder; `run` gives what came of it."""

    def __init__(self, folder: Path, order: Order) -> None:
        self.folder, self.order = folder, order
        self.hall = Hall(
            order.benches, order.length_s, order.mishaps, shops=order.shops, seed=order.seed
        )
        self.broker, self.store = HallBroker(folder), HallStore(folder)
        self.database, self.phones = HallDatabase(folder), Phones()
        self.told = Told(order.benches)
        self.file = folder / "hall.json"
        self.workers: list[subprocess.Popen[bytes]] = []
        self.others: list[subprocess.Popen[bytes]] = []
        self.eyes: subprocess.Popen[bytes] | None = None
        self.lookouts: list[subprocess.Popen[bytes]] = []
        self.watching = True
        self.empty: dict[str, Cost] = {}
        self.looking: dict[str, Cost] = {}

    def run(self) -> Told:
        self.broker.start()
        self.store.start("-dedup.minScrapeInterval=1ms")
        self.database.start()
        try:
            self._run()
        finally:
            self.watching = False
            for process in [*self.workers, *self.others]:
                if process.poll() is None:
                    process.kill()
                process.wait()
            self.broker.kill()
            self.store.stop()
            self.database.stop()
            self.phones.close()
        return self.told

    def _run(self) -> None:
        order = self.order
        # Looking costs something too: of ten benches it would be the most.
        first = self._costs()
        time.sleep(_AGAIN_S)
        idle = self.empty = self._costs()
        looking = self.looking = {name: idle[name].since(first[name]) for name in SERVERS}
        time.sleep(IDLE_S)
        self.told.idle = {
            name: cost.since(idle[name]).without(looking[name])
            for name, cost in self._costs().items()
        }
        self._write_down()
        self._listen()
        if order.pages:
            self.eyes = self._start("eyes", "tests.hall.eyes", str(self.file), str(order.pages))
        if order.mishaps.power is not None:
            self._lookouts()
        self._power_on()
        threading.Thread(target=self._watch, daemon=True).start()
        self._through()
        self._wait_for_workers()
        self._judge()

    # -- what happens ----------------------------------------------------------------------------

    def _write_down(self) -> None:
        order, lead_s = self.order, 8.0 + 0.01 * self.order.benches
        self.began_s = time.monotonic() + lead_s
        # Paced halls end now: the store refuses what lies in the future.
        self.wall_s = time.time() + lead_s - (order.pace - 1.0) * order.length_s / order.pace
        places = {
            "broker": self.broker.port, "store": self.store.url, "database": self.database.url,
            "phone": self.phones.port, "began_s": self.began_s, "wall_s": self.wall_s,
            "pace": order.pace, "readings_every_s": order.readings_every_s,
            "catch_up": order.catch_up,
        }  # fmt: skip
        mishaps = {
            name: [value["from_s"], value["to_s"]] if isinstance(value, dict) else value
            for name, value in asdict(order.mishaps).items()
        }
        told = {
            "benches": order.benches, "length_s": order.length_s, "shops": order.shops,
            "seed": order.seed, "mishaps": mishaps, "places": places, "records": order.records,
            "settle_s": order.settle_s,
        }  # fmt: skip
        self.file.write_text(json.dumps(told))

    def _listen(self) -> None:
        """An outsider who hears all alarms and drops, with a session that outlives the broker."""
        self.ear = self.folder / "ear.txt"
        topics = [
            f"soakmon/{where}/{what}" for where in ("+", "+/+") for what in ("alarms", "drops")
        ]
        command = [tool("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(self.broker.port), "-q", "1"]
        command += ["-i", "hall-ear", "-c", "-F", "%j"]
        for one in topics:
            command += ["-t", one]
        with self.ear.open("wb") as output:
            self.others.append(subprocess.Popen(command, stdout=output, stderr=subprocess.DEVNULL))

    def _start(self, name: str, module: str, *arguments: str) -> subprocess.Popen[bytes]:
        with (self.folder / f"{name}.log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", module, *arguments], stdout=log, stderr=log
            )
        self.others.append(process)
        return process

    def _lookouts(self) -> None:
        for name in ("lookout-a", "lookout-b"):
            file = self.folder / f"{name}.toml"
            file.write_text(
                f'[mqtt]\nenabled = true\nhost = "127.0.0.1"\nport = {self.broker.port}\n'
                f'[phone]\nenabled = true\nurls = ["json://127.0.0.1:{self.phones.port}/{name}"]\n'
                "[lookout]\nlead_s = 8\ngather_s = 5\nbroker_s = 3600\n"
            )
            self.lookouts.append(self._start(name, "soakmon", "lookout", "--bench", str(file)))
            time.sleep(1.0)  # the first one leads

    def _power_on(self) -> None:
        for share in range(self.order.shares):
            with (self.folder / f"share-{share}.log").open("ab") as log:
                arguments = [str(self.file), str(share), str(self.order.shares)]
                command = [sys.executable, "-m", "tests.hall.worker", *arguments]
                self.workers.append(subprocess.Popen(command, stdout=log, stderr=log))

    def _through(self) -> None:
        """Through the hall's time, and what befalls it."""
        order, mishaps = self.order, self.order.mishaps
        quiet_to_s = mishaps.power.from_s if mishaps.power else order.length_s
        if mishaps.wire is not None:
            quiet_to_s = min(quiet_to_s, mishaps.wire.from_s)
        from_s = 0.1 * min(quiet_to_s, order.length_s)
        self._sleep_to(from_s)
        before, mine = self._costs(), self._clients()
        self._sleep_to(quiet_to_s - 1.0)
        after = self._costs()
        for name, cost in after.items():
            used = cost.since(before[name]).without(self.looking[name])
            # Of memory all that it holds for them, also from when they came.
            held_b = cost.memory_b - self.empty[name].memory_b
            self.told.costs[name] = replace(used, memory_b=held_b)
        self.told.clients_cpu_s = {
            name: used_s - mine[name] for name, used_s in self._clients().items()
        }
        self.told.quiet_s = (quiet_to_s - 1.0 - from_s) / order.pace
        if mishaps.power is not None:
            self._power_cut()
        if mishaps.wire is not None:
            self._wire()
        self._sleep_to(order.length_s)

    def _sleep_to(self, hall_s: float) -> None:
        time.sleep(max(self.began_s + hall_s / self.order.pace - time.monotonic(), 0.0))

    def _power_cut(self) -> None:
        """All at once, and the lookout that leads is killed before it has told."""
        power = self.order.mishaps.power
        self._sleep_to(power.from_s)
        self.cut_s = time.monotonic()
        for worker in self.workers:
            worker.kill()
            worker.wait()
        self._sleep_to(power.from_s + 33.0)
        self.lookouts[0].kill()
        self._sleep_to(power.to_s)
        self.workers.clear()
        self.back_s = time.monotonic()
        self._power_on()

    def _wire(self) -> None:
        wire = self.order.mishaps.wire
        self._sleep_to(wire.from_s)
        self.broker.stop()
        self.store.stop()
        self._sleep_to(wire.to_s)
        self.store.start("-dedup.minScrapeInterval=1ms")
        self.broker.start()
        self.again_s = time.monotonic()

    def _wait_for_workers(self) -> None:
        end_s = time.monotonic() + self.order.settle_s + 60
        for worker in self.workers:
            with suppress(subprocess.TimeoutExpired):  # what is missing then is told
                worker.wait(max(end_s - time.monotonic(), 1.0))
        self.settled_s = time.monotonic()

    def _watch(self) -> None:
        """How many the database has at once, and in an outage what the store takes each second."""
        while self.watching:
            most = max(self.told.most_connections, self.database.connections())
            self.told.most_connections = most
            if (
                self.order.mishaps.power is None
            ):  # an hour without it: asking costs the store more than ten benches
                with suppress(OSError):  # it is gone
                    self.told.rates.append((time.monotonic() - self.began_s, self.store.rows()))
            time.sleep(1.0)

    def _clients(self) -> dict[str, float]:
        """CPU of what stands for machines of its own, s so far."""
        eyes = [] if self.eyes is None else [self.eyes]
        groups = {"benches": self.workers, "pages": eyes, "lookouts": self.lookouts}
        return {name: sum(cpu_s(one.pid) for one in of) for name, of in groups.items()}

    def _costs(self) -> dict[str, Cost]:
        return {name: getattr(self, name).cost() for name in SERVERS}

    # -- what came of it -------------------------------------------------------------------------

    def _folder_of(self, number: int) -> Path:
        return self.folder / "benches" / f"{number:04d}"

    def _judge(self) -> None:
        told, benches = self.told, self.hall.benches
        points = [
            p for plan in benches for p in compare.points_of(self._folder_of(plan.number), plan)
        ]
        told.found["points"] = compare.compared(compare.as_samples(points), self.store.samples())
        raised = {
            uid: wall_s
            for plan in benches
            for uid, wall_s in compare.alarms_of(self._folder_of(plan.number))
        }
        heard = [one["uid"] for one in compare.heard_on(self.ear, "alarms")]
        # What the broker did not give back in time is sent again, with its mark: never not at all.
        told.found["alarms at the broker"] = compare.alarms_compared(
            list(raised), heard, twice_is_well=True
        )
        told.lines.append(f"alarms sent to the broker twice: {len(heard) - len({*heard})}")
        planned = [plan.uid(k) for plan in benches for k in range(len(plan.alarms_s))]
        told.found["alarms raised"] = compare.alarms_compared(planned, list(raised))
        self._phones(raised)
        if self.order.mishaps.power is not None:
            self._silence()
        if self.order.records:
            count = int(self.database.asked("SELECT count(*) FROM result WHERE kind = 'soak'"))
            told.found["results in the database"] = compare.Found(
                len(benches),
                missing=max(len(benches) - count, 0),
                doubled=max(count - len(benches), 0),
            )
        self._figures()

    def _phones(self, raised: dict[str, float]) -> None:
        arrived: dict[str, list[float]] = {}
        for one in self.phones.of("bench-"):
            for uid in compare.UID.findall(one.body):
                arrived.setdefault(uid, []).append(one.at_s)
        told = [uid for uid, times in arrived.items() for _ in times]
        self.told.found["alarms on phones"] = compare.alarms_compared(list(raised), told)
        late = sorted(
            arrived[uid][0] - self.began_s - (wall_s - self.wall_s) / self.order.pace
            for uid, wall_s in raised.items()
            if uid in arrived
        )
        if late:
            p99 = late[min(int(0.99 * len(late)), len(late) - 1)]
            self.told.lines.append(
                f"alarm to phone: {len(late)}, median {late[len(late) // 2]:.2f} s,"
                f" p99 {p99:.2f} s, longest {late[-1]:.2f} s"
            )

    def _silence(self) -> None:
        """The power cut as the lookouts told it, the first of them killed in the middle."""
        told = [one for one in self.phones.of("lookout-") if one.at_s < self.back_s]
        messages = [one for one in told if "silent" in one.title]  # and not: is back
        during = [one for one in messages if one.at_s >= self.cut_s]
        # Who had lost the broker shortly before was told then.
        before = {
            name
            for one in messages
            if self.cut_s - 120 < one.at_s < self.cut_s
            for name in NAMED.findall(f"{one.title} {one.body}")
        }
        named = [name for one in during for name in NAMED.findall(f"{one.title} {one.body}")]
        wanted = [f"{one.shop or 'shop-1'}/{one.name}" for one in self.hall.benches]
        # Each is named once in a message; a single bench also in its title.
        per = [{*NAMED.findall(f"{one.title} {one.body}")} for one in during]
        once = [name for names in per for name in names]
        once += (before & {*wanted}) - {*once}
        counted: Counter[str] = Counter()
        for one in during:
            counted.update({shop: int(count) for count, shop in COUNTED.findall(one.body)})
        self.told.found["power cut told"] = compare.silent_compared(wanted, once, counted)
        first = min((one.at_s for one in during), default=self.back_s) - self.cut_s
        last = max((one.at_s for one in during), default=self.back_s) - self.cut_s
        self.told.lines.append(
            f"power cut: {len(during)} messages name {len(set(named))} benches, and count"
            f" {counted.total()} by shop,"
            f" {first:.0f} to {last:.0f} s after it; by {sorted({one.who for one in during})}"
        )

    def _figures(self) -> None:
        if self.eyes is not None:
            self.eyes.send_signal(signal.SIGTERM)
            self.eyes.wait(20)
            seen = json.loads((self.folder / "eyes.json").read_text())
            least, most = min(seen["benches"]), max(seen["benches"])
            self.told.lines.append(
                f"{len(seen['benches'])} pages: {least} to {most} benches each,"
                f" {seen['messages']} messages in all"
            )
        for share in range(self.order.shares):
            file = self.folder / f"share-{share}.json"
            self.told.lines.append(
                f"benches {share}: {file.read_text()}"
                if file.exists()
                else f"benches {share}: none"
            )
        after_s = self.settled_s - self.began_s - self.order.length_s / self.order.pace
        self.told.lines.append(
            f"store: {self.store.disk_b()} B on disk; database: {self.told.most_connections}"
            f" connections at most; settled {after_s:.0f} s after the end; load of the machine"
            f" {os.getloadavg()[2]:.0f} on {os.cpu_count()} cores"
        )


def reachable_memory() -> Path:
    """A folder in memory where there is one: benches have a card each, this machine one disk."""
    return Path("/dev/shm") if os.access("/dev/shm", os.W_OK) else Path("/tmp")


__all__ = ["HallRun", "Order", "Told", "reachable_memory", "wait_until"]
