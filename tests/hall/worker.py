"""Runs a share of the hall's benches: python -m tests.hall.worker FILE SHARE SHARES."""

from __future__ import annotations

import asyncio
import heapq
import json
import logging
import os
import random
import resource
import signal
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from sim.hall import Hall, HallBench, Mishaps, Stretch
from soakmon.reach.supervise import ReachError
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result, find_job, latest, new_job
from soakmon.records.opening import now
from tests.hall.bench import HallBenchRun, Places

_SLICES = 10
_WRITERS = 4


def hall_of(told: dict[str, Any]) -> Hall:
    """The hall that a file describes."""
    mishaps = {
        name: Stretch(*value) if isinstance(value, list) else value
        for name, value in told["mishaps"].items()
    }
    return Hall(
        told["benches"],
        told["length_s"],
        Mishaps(**mishaps),
        shops=told["shops"],
        seed=told["seed"],
    )


class Share:
    """Some benches of the hall in one event loop, with threads for what would have its own."""

    def __init__(self, told: dict[str, Any], folder: Path, share: int, shares: int) -> None:
        self.told, self.folder = told, folder
        self.hall = hall_of(told)
        self.places = Places(**told["places"])
        self.plans = self.hall.benches[share::shares]
        self.runs: list[HallBenchRun] = []
        self.tasks: dict[int, asyncio.Task[None]] = {}
        self.stopping = False
        self.write_s: list[float] = []
        self.late_s = 0.0
        self.random = random.Random(share)

    def folder_of(self, number: int) -> Path:
        return self.folder / "benches" / f"{number:04d}"

    async def run(self) -> None:
        """From power-on until all that was to go out has gone, or the power goes."""
        for plan in self.plans:
            self._power_on(HallBenchRun(self.folder_of(plan.number), plan, self.hall, self.places))
        threads = [
            threading.Thread(target=work, daemon=True) for work in (self._write, self._phone)
        ]
        for thread in threads:
            thread.start()
        records = asyncio.create_task(asyncio.to_thread(self._records))
        await self._tick()
        await records
        for run in self.runs:
            run.service.end("enough")
        await self._settle()
        self.stopping = True
        for thread in threads:
            await asyncio.to_thread(thread.join, 30)
        for task in self.tasks.values():
            task.cancel()
        await asyncio.gather(*self.tasks.values(), return_exceptions=True)

    def _power_on(self, run: HallBenchRun) -> None:
        run.open()
        self.runs.append(run)
        run.influx_at_s = time.monotonic() + 5.0 * self.random.random()
        number = run.service.plan.number
        self.tasks[number] = asyncio.get_running_loop().create_task(run.run())

    async def _tick(self) -> None:
        """Each bench reads once a second, a tenth of them at a time."""
        piece, places = 0, self.places
        while (hall_s := places.hall_s()) < self.hall.length_s:
            for run in self.runs[piece::_SLICES]:
                if not run.service.begun and hall_s >= run.service.plan.starts_s:
                    run.service.begin()
                run.service.tick()
            if self._to_upgrade(hall_s):
                await self._upgrade()
            piece = (piece + 1) % _SLICES
            due_s = places.began_s + (hall_s // 0.1 + 1) * 0.1 / places.pace
            left_s = due_s - time.monotonic()
            self.late_s = max(self.late_s, -left_s)
            await asyncio.sleep(max(left_s, 0.01))

    def _to_upgrade(self, hall_s: float) -> bool:
        upgrade_s = self.hall.mishaps.upgrade_s
        return upgrade_s is not None and hall_s >= upgrade_s and self.runs[0].service.earlier

    async def _upgrade(self) -> None:
        """The bench of an earlier version is stopped, and goes on as one of this version."""
        old = self.runs[0]
        number = old.service.plan.number
        old.service.journal.commit()
        old.influx_at_s = old.phone_at_s = float("inf")
        self.tasks[number].cancel()
        await asyncio.gather(self.tasks[number], return_exceptions=True)
        await asyncio.sleep(2.0)  # a step that runs ends
        at = old.influx.outbox.cursor
        cut = {"batch": at.batch, "event": at.event}
        (self.folder_of(number) / "upgraded.json").write_text(json.dumps(cut))
        old.close()
        plan = old.service.plan
        self.runs.pop(0)
        self._power_on(HallBenchRun(self.folder_of(number), plan, self.hall, self.places))
        self.runs.insert(0, self.runs.pop())

    def _write(self) -> None:
        """The database's outlets, each when it is due, by a few threads."""
        with ThreadPoolExecutor(_WRITERS) as pool:
            while not self.stopping:
                now_s = time.monotonic()
                due = heapq.nsmallest(
                    50, (run for run in self.runs if run.influx_at_s <= now_s),
                    key=lambda run: run.influx_at_s,
                )  # fmt: skip
                list(pool.map(self._write_one, due))
                if not due:
                    time.sleep(0.05)

    def _write_one(self, run: HallBenchRun) -> None:
        began_s = time.monotonic()
        try:
            rest_s = run.influx.step() / self.places.pace
            run.influx_waits.reset()
        except ReachError:
            rest_s = run.influx_waits.next_s() / self.places.pace
        ended_s = time.monotonic()
        self.write_s.append(ended_s - began_s)
        if run.influx_at_s != float("inf"):
            run.influx_at_s = ended_s + rest_s

    def _phone(self) -> None:
        """What each bench's phone thread does once a second."""
        while not self.stopping:
            end_s = time.monotonic() + 1.0
            for run in list(self.runs):
                if run.phone_at_s != float("inf"):
                    run.phone.patience_s = 0.0
                    with suppress(ReachError):
                        run.phone.step()
            time.sleep(max(end_s - time.monotonic(), 0.01))

    def _records(self) -> None:
        """Each bench makes a job, and keeps the result of its soak: from the quiet part on."""
        if self.told["records"]:
            with ThreadPoolExecutor(_WRITERS) as pool:
                list(pool.map(self._keep, self.plans))

    def _keep(self, plan: HallBench) -> None:
        began_s, length_s = self.places.began_s, self.hall.length_s / self.places.pace
        at_s = began_s + (0.1 + 0.2 * plan.number / self.hall.count) * length_s
        time.sleep(max(at_s - time.monotonic(), 0.0))
        own = self.folder_of(plan.number), self.places.database
        with Records(*own) as records, records.session() as session:
            if latest(session, "soak", plan.name) is not None:
                return  # before the power cut
            latest(session, "calibration", plan.name)
            number = new_job(
                session, now(), customer=f"Inventada {plan.number}", machine="four-cylinder 750",
                rack="four", carbs=4,
            ).number  # fmt: skip
        data = {"verdict": {"verdict": "tight"}, "curve": [[k, 0.1 * k] for k in range(500)]}
        with Records(*own) as records, records.session() as session:
            add_result(
                session, find_job(session, number), now(), kind="soak", summary="tight", data=data,
                bench=plan.name,
            )  # fmt: skip

    async def _settle(self) -> None:
        end_s = time.monotonic() + self.told["settle_s"]
        while time.monotonic() < end_s:
            if not any(run.waiting() for run in self.runs):
                return
            await asyncio.sleep(1.0)

    def figures(self) -> dict[str, Any]:
        """What this process has seen."""
        used = resource.getrusage(resource.RUSAGE_SELF)
        return {
            "cpu_s": used.ru_utime + used.ru_stime,
            "waiting": sum(run.waiting() for run in self.runs),
            "late_s": round(self.late_s, 2),
            "connections": sum(run.mqtt.connections for run in self.runs),
            "write_s": sum(self.write_s) / max(len(self.write_s), 1),
            "down": sorted({
                one.last_error for run in self.runs for one in run.board.listed() if one.last_error
            })[:20],
        }  # fmt: skip


def main() -> None:
    """As the module says."""
    logging.disable(logging.ERROR)
    file, share, shares = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ["SOAKMON_INFLUX_TOKEN"] = "invented"
    mine = Share(json.loads(file.read_text()), file.parent, share, shares)
    asyncio.run(mine.run())
    (file.parent / f"share-{share}.json").write_text(json.dumps(mine.figures()))


if __name__ == "__main__":
    main()
