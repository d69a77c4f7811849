"""What the decider is told: contents of the bench, and how a blank run moves the beliefs."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import BenchGeometry, Bowl, Hose
from soakmon.watch.past import Past, PastSoak
from soakmon.watch.settings import DESCRIBED, Priors, Settings, described

TIGHT = [PastSoak(2.0, 1.0, 1.0, 1.0)] * 6
PETROL = FUELS["petrol_a"]


def test_contents_are_volumes_by_the_fuel_at_20_degrees():
    """Petrol of 745 kg/m³ at 15 °C has 0.74 g/ml at 20 °C."""
    bowls = (Bowl(volume_ml=30.0), Bowl(volume_ml=50.0))
    told = Settings(BenchGeometry(hose=Hose(bore_mm=6.0, length_mm=300.0), bowls=bowls), PETROL)
    assert told.bowl_g == pytest.approx(40.0 * 0.7405, rel=2e-3)
    assert told.rack_g == pytest.approx(80.0 * 0.7405, rel=2e-3)
    assert told.hose_g == pytest.approx(math.pi * 0.3**2 * 30.0 * 0.7405, rel=2e-3)


def test_a_bench_without_bowls_holds_none():
    told = Settings(BenchGeometry(bowls=()))
    assert told.bowl_g == told.rack_g == 0.0
    assert float(told.reference.bowls) == 0.0


@given(scale=st.floats(0.3, 3.0))
def test_a_blank_run_tells_the_feed_and_little_of_the_bowls(scale):
    plain, blanked = described(1.0), described(scale)
    feed, bowls = (b / a for a, b in zip(plain.scales, blanked.scales, strict=True))
    assert feed == pytest.approx(scale)
    assert bowls == pytest.approx(scale**0.1)
    # The bowls are less known the further it was from the expected, either way.
    assert blanked.rel_sds[1] == pytest.approx(described(1 / scale).rel_sds[1])
    assert blanked.rel_sds[1] ** 2 == pytest.approx(
        plain.rel_sds[1] ** 2 + (0.3 * math.log(scale)) ** 2
    )


def test_after_a_blank_run_the_feed_is_as_sure_as_it_was_and_hardly_doubted():
    assert described(1.1, 0.08).rel_sds[0] == 0.08
    assert DESCRIBED.rel_sds[0] == 0.25
    assert (DESCRIBED.doubted, described(1.1).doubted) == (0.03, 0.001)
    assert Priors().scales[0] == 1.0


def test_a_bench_of_which_nothing_is_told_is_less_sure_than_a_described_one():
    untold = Priors()
    for part in (0, 1):
        assert untold.rel_sds[part] > DESCRIBED.rel_sds[part]
    assert untold.unsteady_rel_sd > DESCRIBED.unsteady_rel_sd
    assert untold.doubted > DESCRIBED.doubted


def test_past_soaks_move_all_parts_alike_and_narrow_them():
    past = Past(soaks=5, scale=1.2, narrows=0.5, doubt=0.1)
    taught = replace(DESCRIBED, past=past)
    for before, after in zip(DESCRIBED.scales, taught.scales, strict=True):
        assert after == pytest.approx(1.2 * before)
    for before, after in zip(DESCRIBED.rel_sds, taught.rel_sds, strict=True):
        assert after == pytest.approx(0.5 * before)
    assert taught.doubted == pytest.approx(0.1 * DESCRIBED.doubted)


def test_other_benches_are_silent_where_this_one_has_spoken():
    benches = [TIGHT] * 6
    assert DESCRIBED.taught_by_others(benches).keeps
    assert not described(1.0).taught_by_others(benches).keeps
    assert not replace(DESCRIBED, past=Past(soaks=3)).taught_by_others(benches).keeps


def test_own_soaks_are_read_by_the_priors_own_expectation():
    """All lost what was expected of bottle with hose and bowls as scaled: nothing moves."""
    feed, bowls = DESCRIBED.scales
    as_expected = [PastSoak(feed * 3.0 + bowls * 2.0, 3.0, 2.0, 5.0)] * 20
    assert DESCRIBED.taught_by(as_expected).scale == pytest.approx(1.0, abs=0.06)
    twice = [replace(soak, lost_g=1.4 * soak.lost_g) for soak in as_expected]
    assert DESCRIBED.taught_by(twice).scale == pytest.approx(1.4, rel=0.1)
