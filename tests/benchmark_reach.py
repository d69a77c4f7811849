"""Prints how fast the outlets are; asserts nothing.

python -m tests.benchmark_reach      needs mosquitto and victoria-metrics; five minutes
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import os
import shutil
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from sim.scenarios import SCENARIOS
from soakmon.reach.backoff import Backoff
from soakmon.reach.echo import Echo
from soakmon.reach.influx_outlet import InfluxOutlet
from soakmon.reach.mqtt import Received, connect
from soakmon.reach.mqtt_outlet import NAME, MqttOutlet
from soakmon.reach.phone_outlet import PhoneOutlet
from soakmon.reach.points import Point
from soakmon.reach.supervise import supervise
from soakmon.reach.topics import Message
from soakmon.records.outbox import Outbox
from tests.bench.stepping import Stepped
from tests.bench.test_api import wait
from tests.reach.bench import FakeService, bench_with, board_with, until
from tests.reach.broker import Broker, Cutter
from tests.reach.database import TOKEN, Database
from tests.reach.metrics import Metrics
from tests.reach.orders import Shop
from tests.reach.targets import HttpTarget
from tests.reach.test_outlets import serving
from tests.service_benchmark import written_bytes

ALARMS, CONNECTIONS, BATCHES, CUTS_S = 2000, 100, 8640, 20.0
ALARM_RUNS, COST_H = 4, 1.0


async def connections(broker: Broker) -> None:
    section = bench_with(mqtt={"host": "127.0.0.1", "port": broker.port}).mqtt
    start_s = time.perf_counter()
    for _ in range(CONNECTIONS):
        async with connect(section, "benchmark"):
            pass
    taken_s = time.perf_counter() - start_s
    print(f"MQTT: {CONNECTIONS / taken_s:.0f} connections a second, one after another")


async def alarms(folder: Path, port: int, what: str, cutter: Cutter | None = None) -> None:
    mqtt = {"enabled": True, "host": "127.0.0.1", "port": port}
    service = FakeService(folder, bench_with(mqtt=mqtt))
    outbox = Outbox(service.journal.path, NAME)
    outlet = MqttOutlet(service, outbox, board_with(NAME), Backoff())
    service.start()
    service.journal.connection.execute("PRAGMA synchronous = OFF")
    for _ in range(ALARMS):
        service.alarm()
    start_s = time.perf_counter()
    task = asyncio.create_task(supervise(NAME, outlet.work, outlet.board, outlet.backoff))
    if cutter is None:
        await until(lambda: outbox.events_waiting() == 0, 120)
    else:
        await asyncio.sleep(CUTS_S)
    taken_s = time.perf_counter() - start_s
    sent = ALARMS - outbox.events_waiting()
    text = f"MQTT {what}: {sent / taken_s:.0f} alarms a second acknowledged"
    if cutter is not None:
        rate = 60 * outlet.connections / taken_s
        text += f"; {cutter.cuts} cuts, {rate:.0f} connections a minute"
    print(text)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    outbox.close()
    service.journal.close()


def points(folder: Path, url: str, what: str) -> None:
    """A day of the journal, at its real density, to a database."""
    os.environ["SOAKMON_INFLUX_TOKEN"] = TOKEN
    service = FakeService(folder, bench_with(influx={"enabled": True, "url": url}))
    service.now_s = 1_700_000_000.0  # what lies in the future is refused
    outlet = InfluxOutlet(
        "bench", service.bench.influx, service.journal.path, board_with("influx"),
        wall_s=service.clock.wall_s,
    )  # fmt: skip
    service.start()
    service.journal.connection.execute("PRAGMA synchronous = OFF")
    service.rows(BATCHES)
    outlet.open()
    start_s, start_cpu_s = time.perf_counter(), time.process_time()
    while outlet.step() == 0:
        pass
    taken_s, cpu_s = time.perf_counter() - start_s, time.process_time() - start_cpu_s
    made = 5 * BATCHES
    print(
        f"{what}: {made} points of a day caught up in {taken_s:.1f} s ({made / taken_s:.0f}/s), "
        f"{cpu_s:.1f} s of CPU"
    )
    outlet.close()
    outlet.outbox.close()
    service.journal.close()


class Nowhere:
    """Takes all points."""

    def write(self, points: list[Point]) -> None:
        pass

    def ask(self) -> None:
        pass

    def close(self) -> None:
        pass


def cost(folder: Path, scenario: str, *, outlets: bool) -> tuple[float, float, float]:
    """MB a day by calls and to storage, and CPU s an hour, of a service whose outlets take all."""
    bench = Stepped(folder, SCENARIOS[scenario], bench=bench_with(phone={"urls": ["json://a"]}))
    service = bench.service
    path, clock = service.journal.path, bench.clock
    influx = InfluxOutlet(
        "bench", bench.bench.influx, path, board_with("influx"), wall_s=clock.wall_s,
        writer=lambda _: Nowhere(),
    )  # fmt: skip
    phone = PhoneOutlet(
        bench.bench, path, board_with("phone"), status=lambda: service.status, wall_s=clock.wall_s,
        deliver=lambda *_, **__: None, now_s=clock.boot_s,
    )  # fmt: skip
    mqtt = MqttOutlet(service, Outbox(path, NAME), board_with(NAME), Backoff())
    influx.open()
    phone.open()
    bench.start()
    bench.run(0.5)

    async def hours() -> None:
        for second in range(round(3600 * COST_H)):
            bench.run(1 / 3600)
            if outlets:
                phone.step()
                await mqtt._empty_outbox(Silent(mqtt.echo))
                if second % 5 == 0:
                    influx.step()

    before, cpu_s = written_bytes(), time.process_time()
    asyncio.run(hours())
    cpu_s = time.process_time() - cpu_s
    after = written_bytes()
    for outlet in (influx, phone, mqtt):
        outlet.outbox.close()
    bench.journal.close()
    day = 24 / COST_H / 1e6
    return day * (after[0] - before[0]), day * (after[1] - before[1]), cpu_s / COST_H


class Silent:
    """A connection to nobody but the bench itself."""

    def __init__(self, echo: Echo) -> None:
        self.echo = echo

    async def publish(self, message: Message) -> None:
        self.echo.take(Received(message.topic, message.payload.encode(), retained=False))


def costs(folder: Path) -> None:
    for scenario in ("dry-rack", "drop-a-minute"):
        found = []
        for name in ("without", "with"):
            place = folder / f"{scenario}-{name}"
            place.mkdir()
            found.append(cost(place, scenario, outlets=name == "with"))
        (calls, stored, cpu_s), (calls_with, stored_with, cpu_with_s) = found
        print(
            f"outbox, {scenario}: {stored_with - stored:+.1f} MB a day to storage beside the "
            f"journal's {stored:.1f} (by calls {calls_with - calls:+.1f} beside {calls:.1f}), "
            f"{(cpu_with_s - cpu_s) / 36:.2f} % of one core"
        )


def alarm_to_message(folder: Path) -> None:
    """From the alarm in the journal to the message at the receiver; the clock runs as outside."""
    phone = HttpTarget()
    (folder / "bench.toml").write_text(
        f'[phone]\nenabled = true\nurls = ["json://127.0.0.1:{phone.port}/a"]\n[page]\non = false\n'
    )
    delays_s = []
    for seed in range(ALARM_RUNS):
        with serving(folder, "needle-stuck-open", "--seed", str(seed)) as client:
            client.post("/soak", {"title": "invented rack", "cautions_confirmed": True})
            while not any(a["kind"] == "flood" for a in client.get("/status").get("alarms", [])):
                time.sleep(0.01)
            at_s = time.monotonic()
            wait(lambda: any("FLOOD" in message["title"] for message in phone.got))
            delays_s.append(phone.got[-1]["at_s"] - at_s)
        phone.got.clear()
        shutil.rmtree(folder / "data")
    phone.close()
    told = ", ".join(f"{delay_s:.2f}" for delay_s in delays_s)
    print(f"phone: alarm to message {told} s (aim: under 2)")


def orders(folder: Path) -> None:
    shop = Shop(folder)
    shop.soak()
    kills = itertools.permutations(("bench", "broker", "lookout"))
    for order in kills:
        for name in order:
            shop.kill(name)
        for name in order:
            shop.start(name)
        wait(shop.settled, 40)
    rates = shop.connections_per_minute()
    shop.close()
    told = ", ".join(f"{name} {rate:.0f}" for name, rate in rates.items())
    print(f"killed and restarted in all six orders: connections a minute: {told}")


async def mqtt(folder: Path) -> None:
    broker = Broker(folder).start()
    try:
        await connections(broker)
        for name in ("straight", "cut"):
            (folder / name).mkdir()
        await alarms(folder / "straight", broker.port, "on a good wire")
        async with Cutter(broker, seed=1, most_bytes=20_000) as cutter:
            await alarms(folder / "cut", cutter.port, "on a wire cut every 10 kB", cutter)
    finally:
        broker.kill()


def main() -> None:
    logging.disable(logging.ERROR)
    with TemporaryDirectory(dir=Path.cwd()) as name:  # on a disk, for the costs
        folder = Path(name)
        asyncio.run(mqtt(folder))
        database, metrics = Database(), Metrics(folder).start()
        for what, url in (("fault server", database.url), ("VictoriaMetrics", metrics.url)):
            (folder / what).mkdir()
            points(folder / what, url, what)
        database.close()
        metrics.stop()
        for work in (alarm_to_message, orders, costs):
            (folder / work.__name__).mkdir()
            work(folder / work.__name__)


if __name__ == "__main__":
    main()
