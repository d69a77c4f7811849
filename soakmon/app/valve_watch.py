"""The page's trial of the valve: the service watches its own end, and looks again when it is back.

While a trial waits, the last reading is brought to disk each second. Whatever takes the service
then, the next one reads the cell before it opens the feed, and judges what was lost between.
"""

from __future__ import annotations

import statistics
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from soakmon.bench.commands import RefusedError
from soakmon.bench.ports import LoadCell
from soakmon.bench.service import Service
from soakmon.commission.flow import LEAST_OPEN_G_PER_MIN, falls_g_per_min
from soakmon.commission.record import CommissionStep
from soakmon.commission.valve_ways import LOOKS_EVERY_S, LastLook, judged
from soakmon.texts import say

LOOK = "valve-look.json"
# A flow is seen over so long; a trial that nobody goes on with is forgotten.
_FLOWS_S, _LEAST_READINGS, _FORGOTTEN_S = 20.0, 15, 600.0
# While the first half of that shows less than this share of the second, the feed has just opened.
_STEADY = 0.7
_READS_S, _WAITS_S = 2.0, 5.0


class ValveWatch:
    """One trial at a time; on_step: takes what came of it, with its way."""

    def __init__(
        self,
        service: Service,
        boot: str,
        on_step: Callable[[str, CommissionStep], None],
        *,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.service, self.boot, self.on_step, self.sleep = service, boot, on_step, sleep
        self.path = Path(service.journal.path).with_name(LOOK)
        self.last: LastLook | None = None
        self.lock = threading.Lock()

    def judge_last_run(self) -> None:
        """Before the feed may open: what the last run left, judged by a first reading."""
        last = LastLook.read(self.path)
        if last is None:
            return
        self.path.unlink(missing_ok=True)
        mass_g = self._first_mass_g(self.service.parts.cell)
        if mass_g is None:
            self.on_step(last.way, CommissionStep(last.way, None, say("valve_watch.no_reading")))
            return
        self.on_step(last.way, judged(last, self.boot, self.service.clock.wall_s(), mass_g))

    def _first_mass_g(self, cell: LoadCell) -> float | None:
        """Median of the first readings; None where there is none in time."""
        scale, waited_s = self.service.sampling.scale, 0.0
        masses: list[float] = []
        while waited_s < (_READS_S if masses else _WAITS_S):
            value = cell.read().value
            if value is not None:
                masses.append((value - scale.zero_counts) * scale.g_per_count)
            self.sleep(0.1)
            waited_s += 0.1
        return statistics.median(masses) if masses else None

    def arm(self, way: str) -> None:
        """From now on the last reading is on disk. Refused while nothing flows."""
        status, wall_s = self.service.status, self.service.clock.wall_s()
        if not status.feed_open:
            raise RefusedError(say("valve_watch.feed_is_shut"))
        seen = self.service.readings.recent.masses(wall_s - _FLOWS_S)
        if len(seen) < _LEAST_READINGS:
            raise RefusedError(say("valve_watch.wait_for_readings"))
        flow, early, late = (
            falls_g_per_min([at_s for at_s, _ in part], [mass_g for _, mass_g in part])
            for part in (seen, seen[: len(seen) // 2], seen[len(seen) // 2 :])
        )
        if late > LEAST_OPEN_G_PER_MIN and early < _STEADY * late:
            raise RefusedError(say("valve_watch.wait_for_readings"))
        if flow < LEAST_OPEN_G_PER_MIN:
            raise RefusedError(say("valve_watch.too_little", flow=f"{flow:.1f}"))
        with self.lock:
            new = self.last is None
            self.last = LastLook(way, self.boot, flow, wall_s, seen[-1][1])
            self.last.write(self.path)
        if new:
            threading.Thread(target=self._watch, name="valve watch", daemon=True).start()

    def disarm(self) -> None:
        """Forget the trial."""
        with self.lock:
            self.last = None
            self.path.unlink(missing_ok=True)

    def leave(self) -> None:
        """The service was told to stop."""
        with self.lock:
            if self.last is not None:
                replace(self._now(self.last), ordered=True).write(self.path)
                self.last = None

    def _watch(self) -> None:
        """In a thread of its own, for as long as the trial waits."""
        left_s = _FORGOTTEN_S
        while self.look() and left_s > 0:
            self.sleep(LOOKS_EVERY_S)
            left_s -= LOOKS_EVERY_S
        if left_s <= 0:
            self.disarm()

    def look(self) -> bool:
        """Bring the reading to disk; False when the trial is over, or the feed has been shut."""
        with self.lock:
            if self.last is None:
                return False
            if not self.service.status.feed_open:
                self.last = None
                self.path.unlink(missing_ok=True)
                return False
            self.last = self._now(self.last)
            self.last.write(self.path)
            return True

    def _now(self, last: LastLook) -> LastLook:
        seen = self.service.readings.recent.masses(last.wall_s)
        return last.at(*seen[-1]) if seen else last
