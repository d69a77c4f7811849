"""Prints what many pages cost a broker when nobody looks, and when somebody does; asserts nothing.

python -m tests.benchmark_hall [BENCHES]     needs mosquitto; half a minute
"""

from __future__ import annotations

import asyncio
import gzip
import json
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon.bench.bench_status import BenchStatus
from soakmon.reach.fleet import Fleet
from soakmon.reach.fleet_listener import FleetListener
from soakmon.reach.fleet_order import Asked, shown
from soakmon.reach.mqtt import Link, connect
from soakmon.reach.topics import Topics, availability, retained
from tests.reach.bench import START_WALL_S, bench_with, until
from tests.reach.broker import Broker

BEATS = 4  # of state, two minutes of them
SOAKING = BenchStatus.model_validate(
    {
        "phase": "soaking", "wall_s": START_WALL_S, "soak": 1, "soaked_s": 3600, "left_s": 82800,
        "feed_open": True, "drops": [0, 0, 0, 0],
        "verdict": {"verdict": "not_proven", "reason": "no leak seen so far"},
    }
)  # fmt: skip


async def beat(link: Link, benches: int, number: int) -> None:
    """What all benches say in half a minute."""
    status = SOAKING.but(wall_s=START_WALL_S + 30 * number)
    for k in range(benches):
        topics = Topics("soakmon", f"bench-{k}", run="0123456789ab")
        messages = list(retained(topics, status, status.wall_s or 0.0).values())
        if number == 0:
            messages.append(availability(topics, START_WALL_S, "online", "started"))
        else:
            messages = messages[:1]  # of what is kept, the state alone is a heartbeat
        for message in messages:
            await link.publish(message)


async def measured(port: int, benches: int) -> None:
    section = bench_with(mqtt={"host": "127.0.0.1", "port": port}).mqtt
    pages = [FleetListener(section, Fleet(), f"bench-{k}", stays_s=1e6) for k in range(benches)]
    async with connect(section, "hall") as link:
        await beat(link, benches, 0)
        for looking in (0, 1, 20):
            for page in pages[:looking]:
                page.look()
            for page in pages[:looking]:
                assert await page.settled(60)
                assert len(page.fleet.benches) == benches
            before = sum(page.fleet.messages for page in pages)
            start_s, cpu_s = time.perf_counter(), time.process_time()
            for number in range(1, BEATS + 1):
                await beat(link, benches, number)
            due = looking * benches * BEATS
            await until(lambda due=due, b=before: heard(pages) - b >= due, 60)
            count = heard(pages) - before
            print(
                f"{benches} benches, {looking} pages looked at: {count} messages to all pages in"
                f" {30 * BEATS} s of theirs ({count / (30 * BEATS):.1f} a second);"
                f" {time.perf_counter() - start_s:.1f} s, {time.process_time() - cpu_s:.1f} s of"
                " CPU here, with sending"
            )
        start_s = time.perf_counter()
        first = shown(pages[0].fleet.listed(time.monotonic()), Asked())
        taken_s = time.perf_counter() - start_s
        plain = json.dumps(first.benches).encode()
        print(
            f"the first {len(first.benches)} of {first.found}: {1000 * taken_s:.1f} ms,"
            f" {len(plain)} B, compressed {len(gzip.compress(plain))} B"
        )
        for one in pages:
            await one.stop()


def heard(pages: list[FleetListener]) -> int:
    return sum(page.fleet.messages for page in pages)


def main() -> None:
    """As the module says."""
    with TemporaryDirectory() as folder:
        broker = Broker(Path(folder)).start()
        try:
            asyncio.run(measured(broker.port, int((sys.argv[1:] or ["300"])[0])))
        finally:
            broker.kill()


if __name__ == "__main__":
    main()
