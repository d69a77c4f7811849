"""The expectation step by step: temperatures that lag, sums, and what bowls draw for cold."""

from __future__ import annotations

import math

import pytest

from soakmon.watch.evaporation import Evaporation
from soakmon.watch.settings import DESCRIBED, Settings
from tests.watch.nights import BENCH

HOUR_S = 3600.0


def stepped(*steps, settings=BENCH):
    """After steps of (hours, air °C, feed open), each in minutes."""
    evaporation = Evaporation(settings)
    for hours, air_c, feed_open in steps:
        for _ in range(round(60 * hours)):
            evaporation.step(60.0, air_c, math.nan, feed_open)
    return evaporation


@pytest.mark.parametrize(
    ("name", "lag_s"),
    [("air_20_c", 1200), ("air_60_c", 3600), ("air_180_c", 10800), ("fuel_c", 2400)],
)
def test_what_lags_shows_the_air_of_so_long_ago(name, lag_s):
    evaporation = stepped((1, 20.0, 1.0), (1, 30.0, 1.0))
    assert getattr(evaporation, name) == pytest.approx(30 - 10 * math.exp(-3600 / lag_s))
    assert evaporation.air_c == 30.0


def test_a_missing_temperature_is_that_of_before_and_without_any_twenty_degrees():
    evaporation = stepped((1, 25.0, 1.0), (1 / 60, math.nan, 1.0))
    assert evaporation.missing
    assert evaporation.air_c == 25.0
    assert stepped((1 / 60, math.nan, 1.0)).air_c == 20.0
    measured = Evaporation(BENCH)
    measured.step(60.0, 20.0, 12.0, 1.0)
    assert measured.fuel_c == 12.0


def test_with_the_feed_shut_only_the_bottle_counts():
    fed, shut = stepped((2, 20.0, 1.0)), stepped((2, 20.0, 0.0))
    assert fed.bowls_g > 0
    assert shut.bowls_g == 0.0
    assert 0 < shut.bottle_hose_g < fed.bottle_hose_g
    assert fed.total_g == fed.bottle_hose_g + fed.bowls_g


def test_priors_scale_what_is_expected():
    usual = stepped((2, 20.0, 1.0))
    settings = Settings(geometry=BENCH.geometry)
    scales = settings.priors.scales
    other = stepped((2, 20.0, 1.0), settings=settings)
    assert DESCRIBED.scales == (1.0, 1.0) != scales
    assert other.bowls_g == pytest.approx(scales[1] * usual.bowls_g)
    assert other.bowl_g_per_h == pytest.approx(scales[1] * usual.bowl_g_per_h)
    assert other.bottle_hose_g == pytest.approx(scales[0] * usual.bottle_hose_g)


def test_bowls_draw_while_the_shop_cools_and_nothing_while_it_warms():
    steady = stepped((1, 25.0, 1.0))
    assert steady.top_up_g == pytest.approx(0.0, abs=1e-9)
    cooled = stepped((1, 25.0, 1.0), (6, 15.0, 1.0))
    # Ten degrees shrink the fuel of a rack by more than a gram.
    rack_g = cooled.model.rack_g
    assert cooled.cooled_g == pytest.approx(rack_g - steady.model.rack_g, rel=0.01)
    assert cooled.top_up_g == pytest.approx(cooled.cooled_g, rel=0.01)
    warmed = stepped((1, 15.0, 1.0), (6, 25.0, 1.0))
    assert warmed.cooled_g == 0.0
    assert warmed.top_up_g < 0  # warmth holds the level up, and the bowls live on that
    assert warmed.top_up_g == pytest.approx(-warmed.bowls_g + warmed.drawn_g)


def test_a_shut_feed_fills_no_bowl():
    shut = stepped((1, 25.0, 0.4), (6, 15.0, 0.4))
    assert shut.cooled_g == 0.0
    assert shut.bowl_needs_g > 0
    fed = stepped((1, 25.0, 0.6), (6, 15.0, 0.6))
    assert fed.cooled_g > 0


def test_sums_begin_anew_and_temperatures_stay():
    evaporation = stepped((2, 20.0, 1.0), (2, 10.0, 1.0))
    evaporation.restart()
    assert evaporation.total_g == evaporation.top_up_g == evaporation.cooled_g == 0.0
    assert evaporation.air_c == 10.0
    evaporation.step(60.0, 10.0, math.nan, 1.0)
    assert evaporation.bowl_needs_g < 0.01  # full again
