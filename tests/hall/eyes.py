"""Has pages of some benches open all the time: python -m tests.hall.eyes FILE PAGES."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from pathlib import Path

from soakmon.reach.fleet import Fleet
from soakmon.reach.fleet_listener import FleetListener
from tests.reach.bench import bench_with


async def looking(file: Path, pages: int) -> None:
    """Look until told to stop; then say how many benches each page has."""
    port = json.loads(file.read_text())["places"]["broker"]
    section = bench_with(mqtt={"host": "127.0.0.1", "port": port}).mqtt
    eyes = [FleetListener(section, Fleet(), f"page-{k}") for k in range(pages)]
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    while not stop.is_set():
        for eye in eyes:
            eye.look()
        await asyncio.sleep(0.5)
    told = {
        "benches": [len(eye.fleet.benches) for eye in eyes],
        "messages": sum(eye.fleet.messages for eye in eyes),
    }
    (file.parent / "eyes.json").write_text(json.dumps(told))
    for eye in eyes:
        await eye.stop()


if __name__ == "__main__":
    asyncio.run(looking(Path(sys.argv[1]), int(sys.argv[2])))
