"""Prints how fast the outlets are; asserts nothing.

python -m tests.benchmark_reach      needs mosquitto; about a minute
"""

from __future__ import annotations

import asyncio
import logging
import os
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon.reach.backoff import Backoff
from soakmon.reach.influx import InfluxOutlet
from soakmon.reach.mqtt import connect
from soakmon.reach.mqtt_outlet import NAME, MqttOutlet
from soakmon.reach.supervise import supervise
from soakmon.records.outbox import Outbox
from tests.reach.bench import FakeService, bench_with, board_with, until
from tests.reach.broker import Broker, Cutter
from tests.reach.database import TOKEN, Database

ALARMS, CONNECTIONS, BATCHES, CUTS_S = 2000, 100, 8640, 20.0


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


def points(folder: Path) -> None:
    os.environ["SOAKMON_INFLUX_TOKEN"] = TOKEN
    database = Database()
    service = FakeService(folder, bench_with(influx={"enabled": True, "url": database.url}))
    outlet = InfluxOutlet(
        "bench", service.bench.influx, service.journal.path, board_with("influx"),
        wall_s=service.clock.wall_s,
    )  # fmt: skip
    service.start()
    service.journal.connection.execute("PRAGMA synchronous = OFF")
    service.rows(BATCHES)
    outlet.open()
    start_s = time.perf_counter()
    while outlet.step() == 0:
        pass
    taken_s = time.perf_counter() - start_s
    made = len(database.points)
    print(f"InfluxDB: {made} points of a day caught up in {taken_s:.1f} s ({made / taken_s:.0f}/s)")
    outlet.close()
    outlet.outbox.close()
    service.journal.close()
    database.close()


async def mqtt(folder: Path) -> None:
    broker = Broker(folder).start()
    try:
        await connections(broker)
        for name in ("straight", "cut"):
            (folder / name).mkdir()
        await alarms(folder / "straight", broker.port, "on a good wire")
        cutter = Cutter(broker, seed=1, most_bytes=20_000)
        await cutter.start()
        await alarms(folder / "cut", cutter.port, "on a wire cut every 10 kB", cutter)
        await cutter.stop()
    finally:
        broker.kill()


def main() -> None:
    logging.disable(logging.ERROR)
    with TemporaryDirectory() as name:
        folder = Path(name)
        asyncio.run(mqtt(folder))
        points(folder)


if __name__ == "__main__":
    main()
