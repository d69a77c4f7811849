"""What a soak says of its evaporation, kept with a job and read back."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import BenchGeometry
from soakmon.records.past import KEY, evaporation_of, past_soaks
from soakmon.watch.decide import decide
from soakmon.watch.settings import Settings, described
from soakmon.watch.verdict import Outcome
from tests.watch.nights import night

SETTINGS = Settings(BenchGeometry(), priors=described(1.0))


@pytest.fixture(scope="module")
def tight():
    return decide(night(3), SETTINGS)


def test_a_tight_soak_says_what_it_lost_and_what_was_expected(tight):
    assert tight.verdict.outcome is Outcome.TIGHT
    said = json.loads(json.dumps(evaporation_of(tight, SETTINGS)))
    (soak,) = past_soaks([{KEY: said}], SETTINGS)
    assert soak.lost_g == pytest.approx(soak.feed_g + soak.bowls_g, abs=0.4)
    best = tight.verdict.expected_evaporation_g.best
    assert soak.feed_g + soak.bowls_g == pytest.approx(best, abs=0.01)
    spare = SETTINGS.criterion_g_per_day - 24 * tight.verdict.leak_g_per_h.high
    assert soak.spare_g == pytest.approx(spare, rel=0.05)


def test_the_expectation_is_kept_without_what_was_known_of_the_bench(tight):
    other = Settings(BenchGeometry(), priors=described(1.3))
    again = evaporation_of(decide(night(3, evaporation=1.25), other), other)
    plain = evaporation_of(tight, SETTINGS)
    assert again is not None
    assert plain is not None
    for part in ("feed_g", "bowls_g"):
        assert again[part] == pytest.approx(plain[part], rel=0.01)


def test_a_leak_at_a_gate_says_nothing_and_one_that_no_gate_saw_a_doubt():
    seen = decide(night(3, leak_g_per_h=0.5, carb=2), SETTINGS)
    assert evaporation_of(seen, SETTINGS) is None
    unseen = decide(night(3, leak_g_per_h=0.5), SETTINGS)
    said = evaporation_of(unseen, SETTINGS)
    assert said is not None
    assert said["spare_g"] is None


def test_half_a_night_says_nothing():
    assert evaporation_of(decide(night(3, hours=9), SETTINGS), SETTINGS) is None


def test_another_fuel_or_bottle_is_another_matter(tight):
    said = {KEY: evaporation_of(tight, SETTINGS)}
    geometry = SETTINGS.geometry
    fuller = replace(geometry, bottle=replace(geometry.bottle, fill_ml=500.0))
    wider = replace(geometry.bottle, vent=replace(geometry.bottle.vent, bore_mm=5.0))
    assert len(past_soaks([said], replace(SETTINGS, geometry=fuller))) == 1
    assert not past_soaks([said], replace(SETTINGS, geometry=replace(geometry, bottle=wider)))
    assert not past_soaks([said], replace(SETTINGS, fuel=FUELS["petrol_d"]))


@pytest.mark.parametrize(
    "damage", [{"lost_g": "much"}, {"feed_g": -1}, {"spare_g": float("inf")}, {"of": None}]
)
def test_a_record_that_cannot_be_is_passed_over(tight, damage):
    good = {KEY: evaporation_of(tight, SETTINGS)}
    bad = {KEY: {**good[KEY], **damage}}
    assert len(past_soaks([bad, {}, {KEY: None}, {KEY: 3}, good], SETTINGS)) == 1
