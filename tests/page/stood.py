"""A bench stepped to a state of a night, and its page served for real from there on."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn

from sim.scenarios import SCENARIOS
from soakmon.app.report_queue import ReportQueue
from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.resume import take_up
from soakmon.page.app import build_page
from soakmon.page.door import Door
from soakmon.page.store import Role, Store
from tests.bench.stepping import Stepped, short
from tests.page.served import PASSWORD, free_port

# Until the rack is full, and then: rows as far apart as a bench may have them.
EVERY_S, SOAKING_EVERY_S = 5.0, 15.0
_FULL_H = 0.7

# State: scenario, hours, and what Now says.
STATES = {
    "at-rest": ("dry-rack", 0.0, "No soak running"),
    "quiet": ("dry-rack", 3.0, "No leak seen"),
    "weep": ("drop-a-minute", 6.0, "LEAKING"),
    "flood": ("needle-stuck-open", 1.0, "LEAKING"),
    "two-leaks": ("two-leaks", 4.5, "LEAKING"),
    "blind-gate": ("gate-stuck", 9.0, ""),
    "frozen-cell": ("cell-freezes", 13.0, ""),
    "gap": ("dry-rack", 2.0, "No leak seen"),
}


def _stepped(folder: Path, state: str) -> Stepped:
    scenario, hours, _ = STATES[state]
    bench = Stepped(folder, SCENARIOS[scenario], bench=short(24), every_s=EVERY_S)
    if not hours:
        return bench
    bench.start()
    bench.run(min(hours, _FULL_H))
    bench.every_s = SOAKING_EVERY_S
    bench.run(hours - min(hours, _FULL_H))
    if state == "gap":
        bench.journal.commit()
        bench.journal.close()
        simulation = bench.simulation
        bench.clock.sleep(1200)
        bench = Stepped(
            folder, SCENARIOS[scenario], bench=short(24), every_s=EVERY_S, simulation=simulation
        )
        take_up(bench.service)
        bench.run(0.3)
    return bench


def _go_on(bench: Stepped, over: threading.Event) -> None:
    """A second a second, commands carried out."""
    bench.every_s = 1.0
    went_s, since_s = bench.clock.boot_s(), time.monotonic()
    while not over.wait(0.2):
        bench.service.worker.drain()
        if bench.clock.boot_s() - went_s < time.monotonic() - since_s:
            bench.run(1 / 3600)


@contextmanager
def standing(folder: Path, state: str) -> Iterator[str]:
    """The address of the page of a bench in a state."""
    bench = _stepped(folder, state)
    service = bench.service
    service.worker.drain()
    reports, store = ReportQueue(folder), Store(folder / "page.db", 3600.0)
    app = build_page(service, reports, GuideDesk(service, lambda *_: None), store=store)
    store.set_account("ada", Role.RUN, Door(store).hash(PASSWORD))
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_level="error", lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    over = threading.Event()
    going = threading.Thread(target=_go_on, args=(bench, over), daemon=True)
    going.start()
    until_s = time.monotonic() + 20
    while not server.started:
        assert time.monotonic() < until_s
        time.sleep(0.05)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(10)
    over.set()
    going.join(10)
    store.close()
    bench.journal.close()
