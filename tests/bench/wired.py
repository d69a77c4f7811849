"""The service on the real drivers: an HX711 read bit by bit and drop trains, all on mock pins."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from hardware.absent import NoPanel, NoVapour
from hardware.drop_gates import PinDropGates
from hardware.hx711_pins import Hx711PinsCell
from hardware.valve import PinValve
from sim.scenario import Scenario
from soakmon.bench.service import Service
from soakmon.config import Bench
from tests.bench.stepping import Stepped
from tests.hardware.mock_gates import TimedFactory, Trains, play
from tests.hardware.mock_hx711 import Hx711Chip, wire


class Wired(Stepped):
    """As `Stepped`, but everything that the service reads or moves goes over pins."""

    def __init__(self, folder: Path, scenario: Scenario, **more) -> None:
        super().__init__(folder, scenario, **more)
        bench, clock, simulation = self.bench, self.clock, self.simulation
        self.factory = TimedFactory()
        chip = Hx711Chip(lambda *_: self._count(), clock.boot_s)
        wire(self.factory, bench.cell.data_pin, bench.cell.clock_pin, chip)
        cell = Hx711PinsCell(
            bench.cell.data_pin, bench.cell.clock_pin, self.factory, clock.boot_s, clock.sleep
        )
        pins = bench.gates.pins
        gates = PinDropGates(pins, self.factory, clock.boot_s)
        for pin in pins:
            self.factory.pin(pin).drive_at(False, clock.boot_s())
        valve = PinValve(bench.valve.pin, self.factory)
        parts = replace(
            simulation.parts(), cell=cell, gates=gates, valve=valve, panel=NoPanel(),
            vapour=NoVapour(),
        )  # fmt: skip
        self.last_count = 0
        self.trains = 0
        self.service = Service(bench, parts, self.journal, boot="first boot")

    def _count(self) -> int:
        """What is on the bridge; readings that no driver would hand on are beyond full scale."""
        count = self.simulation.count()
        return 0x7FFFFF if count != count else round(count)  # noqa: PLR0124 - NaN

    def run(self, hours: float) -> None:
        for _ in range(round(hours * 3600 / self.every_s)):
            self._play()
            self.simulation.set_feed(bool(self.factory.pin(self.bench.valve.pin).state))
            super().run(self.every_s / 3600)
            if self.session is not None and self.session.ended:
                return

    def _play(self) -> None:
        """Everything that fell since the last step, with ringing, on the gates' pins."""
        self.trains += 1
        trains = Trains(self.trains)
        for edge in self.simulation.new_edges():
            if edge.blocked:
                trains.drop(edge.gate, edge.t_s)
        play(self.factory, self.bench.gates.pins, trains.in_order())
        for gate, stuck in enumerate(self.simulation.stuck):
            if stuck:
                now_s = self.clock.boot_s()
                self.factory.pin(self.bench.gates.pins[gate]).drive_at(True, now_s)


def wired_bench(hours: float) -> Bench:
    """A bench whose cell is bit-banged, with soaks of some hours."""
    bench = Bench()
    cell = bench.cell.model_copy(update={"driver": "hx711_pins"})
    service = bench.service.model_copy(update={"soak_h": hours})
    return bench.model_copy(update={"cell": cell, "service": service})
