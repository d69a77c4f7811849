"""A service on a simulated bench, stepped by hand: no threads, no real time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sim.parts import SimulatedBench, SteppedClock
from sim.scenario import Scenario
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.records.journal import Journal


class Stepped:
    """Service, simulated bench and clock; `run` lets time pass."""

    def __init__(
        self,
        folder: Path,
        scenario: Scenario,
        *,
        bench: Bench | None = None,
        seed: int | None = None,
        boot: str = "first boot",
        every_s: float = 1.0,
        simulation: SimulatedBench | None = None,
    ) -> None:
        self.bench = bench or Bench()
        self.every_s = every_s
        if simulation is None:
            clock = SteppedClock()
            gain = 1 / self.bench.cell.g_per_count
            simulation = SimulatedBench(scenario, clock, gain, 0.0, seed=seed, hours=30)
        self.simulation = simulation
        self.clock: Any = simulation.clock  # as it was given
        # Whose soaks have ended, where a test listens.
        self.told: list[int] = []
        self.journal = Journal(folder / "journal.db")
        self.service = Service(self.bench, simulation.parts(), self.journal, boot=boot)
        self.steps = 0

    def start(self) -> None:
        self.service.sampling.read_air()
        self.service.commands.start_soak("invented rack", None, cautions_confirmed=True)

    def run(self, hours: float) -> None:
        """Let time pass until the soak has ended or the hours are over."""
        for _ in range(round(hours * 3600 / self.every_s)):
            self.clock.sleep(self.every_s)
            if self.steps % max(round(10 / self.every_s), 1) == 0:
                self.service.sampling.read_air()
            self.steps += 1
            self.service.sampling.sample()
            self.service.worker.drain()
            self.service.keeper.keep()
            if self.session is not None and self.session.ended:
                return

    @property
    def session(self):
        return self.service.session

    def kinds(self) -> list[str]:
        return [event.kind for event in self.journal.read_events()]

    def phases(self) -> list[str]:
        return [e.data["phase"] for e in self.journal.read_events() if e.kind == "phase"]

    def alarms(self) -> list[tuple[str, int | None]]:
        return [
            (e.data["kind"], e.data["carb"])
            for e in self.journal.read_events()
            if e.kind == "alarm"
        ]


def short(hours: float = 2.0, **service) -> Bench:
    """A bench whose soaks are short."""
    bench = Bench()
    return bench.model_copy(
        update={"service": bench.service.model_copy(update={"soak_h": hours, **service})}
    )
