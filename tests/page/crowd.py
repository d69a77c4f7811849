"""A served bench in this process, and a crowd of open pages in another: do samples come late?"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import httpx
import numpy as np

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.app.report_queue import ReportQueue
from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.service import Service
from soakmon.bench_toml import parse_bench
from soakmon.page.serving import OpenPage, address, open_page
from soakmon.page.store import Role, Store
from soakmon.records.journal import Journal
from tests.page.served import free_port

WITHIN_S = 20.0


@dataclass(frozen=True)
class Jitter:
    """How late samples were, s, and how many answers the visitors had."""

    late_s: np.ndarray
    answers: int

    def told(self) -> str:
        half, most = 1000 * np.quantile(self.late_s, [0.5, 0.99])
        worst = 1000 * self.late_s.max()
        counted = f"{len(self.late_s)} samples, {self.answers} answers to them"
        return f"{half:.1f}, {most:.1f}, {worst:.1f}; {counted}"


def jitter(folder: Path, visitors: int, seconds: float) -> Jitter:
    """Serve a bench at the pace of time for so long, with so many pages open on it."""
    bench = parse_bench(f"[page]\non = true\nport = {free_port()}\n")
    clock = PacedClock(1, 1_800_000_000.0)
    gain = 1 / bench.cell.g_per_count
    simulation = SimulatedBench(SCENARIOS["dry-rack"], clock, gain, 0.0, hours=1)
    journal = Journal(folder / "journal.db")
    service = Service(bench, simulation.parts(), journal, boot="first boot")
    at_s: list[float] = []
    sample = service.sampling.sample

    def timed() -> None:
        at_s.append(time.monotonic())
        sample()

    service.sampling.sample = timed  # type: ignore[method-assign]
    store = Store(folder / "page.db", 3600.0)
    token = store.make_token("crowd", Role.LOOK, 1)
    store.close()
    service.run()
    reports = ReportQueue(folder)
    try:
        answers = asyncio.run(_serve(service, reports, Crowd(token, visitors), seconds, at_s))
    finally:
        service.stop()
        reports.close()
        journal.close()
    every_s = 1 / bench.cell.readings_per_s
    late_s = np.maximum(np.diff(np.array(at_s)) - every_s, 0.0)
    return Jitter(late_s, answers)


@dataclass(frozen=True)
class Crowd:
    """So many visitors with a token."""

    token: str
    visitors: int


async def _serve(
    service: Service, reports: ReportQueue, who: Crowd, seconds: float, at_s: list[float]
) -> int:
    page = await open_page(service, reports, GuideDesk(service, lambda said, job: None))
    assert isinstance(page, OpenPage)
    where = address(service.bench.page)
    crowd = await asyncio.to_thread(_gather, where, who)
    at_s.clear()
    await asyncio.sleep(seconds)
    answers = 0
    if crowd is not None:
        # The end of its input ends the crowd; it tells how often it was answered.
        told, _ = await asyncio.to_thread(crowd.communicate, "")
        assert crowd.returncode == 0
        answers = int(told)
    await page.gone()
    return answers


def _gather(where: str, who: Crowd) -> subprocess.Popen[str] | None:
    if who.visitors == 0:
        return None
    command = [sys.executable, "-m", "tests.page.crowd", where, who.token, str(who.visitors)]
    crowd = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert crowd.stdout is not None
    assert crowd.stdout.readline().strip() == "watching"
    return crowd


async def visit(where: str, token: str, visitors: int, leave: threading.Event) -> int:
    """Open pages: each asks for the next state, and now and then for the curve, as pages do."""
    headers = {"Authorization": f"Bearer {token}"}
    async with httpx.AsyncClient(
        base_url=where, headers=headers, timeout=WITHIN_S, limits=httpx.Limits(max_connections=100)
    ) as http:

        async def one() -> int:
            seen = answers = 0
            while not leave.is_set():
                query = {"seen": seen, "wait_s": 10}
                answer = await http.get("/api/live", params=query)
                seen, answers = answer.raise_for_status().json()["seen"], answers + 1
                if answers % 5 == 0:
                    (await http.get("/api/curve", params={"points": 2000})).raise_for_status()
                await asyncio.sleep(0.15)
            return answers

        tasks = [asyncio.create_task(one()) for _ in range(visitors)]
        print("watching", flush=True)
        return sum(await asyncio.gather(*tasks))


def main() -> None:
    where, token, visitors = sys.argv[1:]
    leave = threading.Event()

    def listen() -> None:
        sys.stdin.read()
        leave.set()

    threading.Thread(target=listen, daemon=True).start()
    print(asyncio.run(visit(where, token, int(visitors), leave)))


if __name__ == "__main__":
    main()
