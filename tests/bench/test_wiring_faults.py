"""Faults of real wiring on mock pins, each named to the owner with what to do."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hardware.power import power_troubles
from sim.scenarios import SCENARIOS
from soakmon.bench.preflight import Check
from soakmon.texts import translated
from tests.bench.wired import Wired, wired_bench
from tests.hardware.mock_gates import Trains, play
from tests.hardware.test_power import firmware


class BouncingPlug(Wired):
    """The plug of gate 1 is loose: whenever somebody walks by, its contact opens many times."""

    def _play(self) -> None:
        super()._play()
        if self.trains % 7 == 0:
            trains = Trains(self.trains)
            for blink in range(12):
                trains.block(0, self.clock.boot_s() - 0.4 + 0.011 * blink, 0.004)
            play(self.factory, self.bench.gates.pins, trains.in_order())


class StrainedCable(Wired):
    """A wire of the load cell's cable opens while the bottle swings and pulls at it."""

    def _count(self) -> int:
        pulled = math.sin(self.clock.boot_s() / 2) > -0.5
        return 0x7FFFFF if pulled else super()._count()


def checks_of(bench: Wired) -> dict[str, Check]:
    bench.start()
    bench.run(0.05)
    return {check.name: check for check in bench.session.checks}


def test_a_plug_whose_contact_bounces_is_named(tmp_path):
    bench = BouncingPlug(tmp_path, SCENARIOS["dry-rack"], bench=wired_bench(1.0), every_s=0.5)
    checks = checks_of(bench)
    assert bench.phases()[-1] == "ended"
    assert not checks["gate 1"].passed
    assert "press its plug home" in checks["gate 1"].text
    assert "Stecker" in translated(checks["gate 1"].text, "de")
    assert checks["gate 2"].passed


def test_a_cell_cable_that_opens_under_tension_is_named(tmp_path):
    bench = StrainedCable(tmp_path, SCENARIOS["dry-rack"], bench=wired_bench(1.0), every_s=0.5)
    checks = checks_of(bench)
    assert bench.phases()[-1] == "ended"
    assert not checks["load cell"].passed
    assert "move the cell's cable" in checks["load cell"].text
    assert "Kabel" in translated(checks["load cell"].text, "de")


@pytest.mark.parametrize("sags", [True, False])
def test_a_supply_that_sags_when_the_valve_opens_is_named(tmp_path, sags):
    bench = Wired(tmp_path, SCENARIOS["dry-rack"], bench=wired_bench(1.0), every_s=0.5)
    root = tmp_path / "kernel"

    def supply() -> list[str]:
        drawn = bool(bench.factory.pin(bench.bench.valve.pin).state)
        firmware(root, 0x10001 if drawn and sags else 0)
        return power_troubles(root)

    bench.service.parts = replace(bench.service.parts, supply=supply)
    checks = checks_of(bench)
    assert "supply" not in checks
    assert bench.simulation.feed_open
    found = [one for one in bench.service.check_around() if one.name == "supply"]
    assert [(one.passed, one.warning) for one in found] == ([(False, True)] if sags else [])
    assert all("the valve on its own" in one.text for one in found)
    assert all("Ventil" in translated(one.text, "de") for one in found)
