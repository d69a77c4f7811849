"""Blind benches: what is and what is said are drawn apart, and nothing of the truth is told."""

from __future__ import annotations

import numpy as np
import pytest

from sim.bench_draw import OwnerKnowledge, PrintedHose
from sim.benches import blind_bench
from sim.blind import Induced
from sim.disturb import KINDS
from sim.record import caught_g, simulate
from soakmon.config import Bench


def spread(owner: OwnerKnowledge) -> np.ndarray:
    """Logarithm of the true over the described permeation, over 60 benches."""
    benches = [blind_bench(seed, owner) for seed in range(60)]
    hoses = [(b.scenario.geometry.hose, b.settings.geometry.hose) for b in benches]
    return np.log([true.permeation_g_per_m2_day / told.permeation_g_per_m2_day
                   for true, told in hoses])  # fmt: skip


def test_the_same_seed_is_the_same_bench_and_a_blank_run_changes_only_what_is_told():
    careless, again = (blind_bench(4, OwnerKnowledge.CARELESS) for _ in range(2))
    assert careless == again
    blank = blind_bench(5, OwnerKnowledge.BLANK)
    assert blank.scenario == blind_bench(5, OwnerKnowledge.CARELESS).scenario
    assert blank.blank is not None
    assert blank.settings.priors.blank_scale == pytest.approx(blank.blank.blank_scale, abs=1e-4)


def test_a_blank_run_tells_what_bottle_and_hose_truly_lose():
    off = []
    for seed in range(100, 112):
        bench = blind_bench(seed, OwnerKnowledge.BLANK, kind="calm")
        if bench.blank is not None:
            true, told = (g.geometry.hose for g in (bench.scenario, bench.settings))
            walls = true.length_mm * true.permeation_g_per_m2_day
            ratio = walls / (told.length_mm * told.permeation_g_per_m2_day)
            off.append(np.log(bench.blank.blank_scale / ratio))
    assert len(off) >= 6
    assert abs(np.median(off)) < 0.35


def test_a_careless_owner_tells_no_more_than_how_many_carburettors_there_are():
    for seed in range(10):
        bench = blind_bench(seed, OwnerKnowledge.CARELESS)
        carbs = len(bench.scenario.geometry.bowls)
        assert bench.settings == Bench.model_validate({"rack": {"carbs": carbs}}).settings()


def test_a_careful_owner_knows_hose_and_sizes():
    for seed in range(20):
        bench = blind_bench(seed, OwnerKnowledge.CAREFUL)
        true, told = bench.scenario.geometry, bench.settings.geometry
        assert told.hose.length_mm == pytest.approx(true.hose.length_mm, rel=0.12)
        assert told.bowls[0].volume_ml == pytest.approx(true.bowls[0].volume_ml, rel=0.2)
        low = told.hose.permeation_g_per_m2_day < 20
        assert low is (bench.table["hose"]["kind"] == PrintedHose.LOW)
        assert bench.settings.priors.bowls_scale == 1.0


def test_hoses_are_as_far_from_their_description_as_uncalibrated_ones_are():
    careful, careless = spread(OwnerKnowledge.CAREFUL), spread(OwnerKnowledge.CARELESS)
    assert 0.4 < careful.std() < 0.95
    assert abs(careful.mean()) < 0.3
    assert careless.std() > careful.std()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_night_can_be_made(kind):
    bench = blind_bench(5, OwnerKnowledge.CAREFUL, Induced(2.0), kind)
    night = simulate(bench.scenario, hours=3, interval_s=5.0)
    assert bench.kind == kind
    assert np.isfinite(night.rows.mass_g).mean() > 0.5
    assert night.rows.gates == len(bench.settings.geometry.bowls)


@pytest.mark.parametrize("seed", [500, 502, 510])
def test_a_leak_at_a_gate_is_what_falls_into_it(seed):
    """Of 0.2 g/day that was meant for the gate, all dried on the way before this was asked."""
    night = blind_bench(seed, OwnerKnowledge.CARELESS, Induced(0.2)).scenario
    defect = night.defects[0]
    hours = 24 - defect.onset_s / 3600
    assert caught_g(night, defect.carb) / hours * 24 == pytest.approx(0.2, rel=0.3)
