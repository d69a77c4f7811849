"""A steady fall of the mass that no gate sees, and what is none."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch.fall import FallWatch
from soakmon.watch.rows import Rows

SPARE_G = 2.0
BEGINS_S = 600.0


def found(
    lost_g,
    *,
    noise_g=0.02,
    spare_g=SPARE_G,
    rush_g=None,
    length_s=1500,
    gap_s=0.0,
    begins_s=BEGINS_S,
):
    """The fall in rows of a second; lost_g: what is lost so many s after it begins."""
    watch = FallWatch(spare_g)
    watch.rush_g = spare_g if rush_g is None else rush_g
    t_s = np.arange(float(length_s))
    mass_g = 300.0 - lost_g(np.maximum(t_s - begins_s, 0.0))
    mass_g += np.random.default_rng(1).normal(0.0, noise_g, len(t_s))
    if gap_s:
        mass_g[(t_s >= BEGINS_S) & (t_s < BEGINS_S + gap_s)] = np.nan
    rows = Rows(t_s, mass_g, np.full(len(t_s), 20.0), np.zeros((len(t_s), 0)))
    falls = [watch.push(rows.part(k, k + 10)) for k in range(0, len(t_s), 10)]
    assert sum(fall is not None for fall in falls) <= 1  # told once
    return next((fall for fall in falls if fall is not None), None)


def steadily(g_per_h):
    return lambda s: g_per_h * s / 3600


def test_a_flood_is_found_a_minute_after_it_is_certain():
    fall = found(steadily(400.0))
    assert fall is not None
    assert fall.rate_g_per_h == pytest.approx(400.0, rel=0.15)
    assert fall.began_s == pytest.approx(BEGINS_S, abs=20)
    # 2 g are gone after 18 s, which take some medians to show; then it goes on for a minute.
    assert BEGINS_S + 80 <= fall.t_s <= BEGINS_S + 120


@pytest.mark.parametrize(("g_per_h", "within_s"), [(200.0, 190.0), (60.0, 310.0), (30.0, 600.0)])
def test_a_slow_one_must_go_on_for_longer_and_take_more_than_a_bubble_does(g_per_h, within_s):
    fall = found(steadily(g_per_h))
    assert fall is not None
    assert 120.0 < fall.t_s - BEGINS_S < within_s
    assert g_per_h / 3600 * (fall.t_s - BEGINS_S) > 3.0


@pytest.mark.parametrize("spare_g", [0.6, 1.2, 2.4])
@pytest.mark.parametrize("drawn_g", [0.7, 1.0, 1.66, 3.0])
@pytest.mark.parametrize("seconds", [5.0, 15.0, 40.0])
def test_what_a_bubble_lets_the_rack_draw_is_none(spare_g, drawn_g, seconds):
    """Once, within 4.4 such times from a tenth of it to nine tenths."""

    def lost(s):
        return drawn_g / (1 + np.exp(-np.clip((s - 300) / seconds, -50, 50)))

    assert found(lost, spare_g=spare_g, noise_g=0.01) is None


def told_s(rate_g_per_h, *, begins_s=BEGINS_S, then=1.0):
    """When a fall without noise is told, s after it begins; `then`: share of it after 35 s."""

    def lost(s):
        return rate_g_per_h / 3600 * (np.minimum(s, 35.0) + then * np.maximum(s - 35.0, 0.0))

    fall = found(lost, noise_g=0.0, begins_s=begins_s)
    return None if fall is None else fall.t_s - begins_s


def test_four_medians_in_a_row_are_certain_and_a_minute_more_is_told():
    # The median of the first ten seconds has fallen by half of it, each after that by all.
    assert told_s(800.0) == 99.0


def test_what_goes_on_by_a_third_is_told_and_by_a_quarter_begins_anew():
    assert told_s(800.0, then=0.36) == 99.0
    assert told_s(800.0, then=0.25) == 259.0  # begun anew, as a slow one


def test_the_noise_must_be_known_from_twenty_medians():
    assert told_s(800.0, begins_s=0.0) == 309.0


def test_less_than_needles_could_sip_is_none():
    assert found(steadily(200.0), spare_g=60.0) is None


def test_of_a_fall_as_fast_as_a_fill_the_rack_may_take_more():
    fast = steadily(4000.0)
    assert found(fast, rush_g=5.0, length_s=800) is not None
    assert found(fast, rush_g=300.0, length_s=800) is None


def test_a_gust_that_passes_and_one_step_are_none():
    assert found(lambda s: np.where(s < 50, 200.0 * s / 3600, 0.0)) is None
    assert found(lambda s: np.where(s > 0, 8.0, 0.0)) is None


def test_what_fell_in_a_gap_was_not_watched():
    assert found(lambda s: np.minimum(200.0 * s / 3600, 6.0), gap_s=110.0) is None


def test_a_slow_loss_is_no_flood():
    assert found(steadily(12.0), length_s=3600) is None


def test_after_a_fill_the_past_is_forgotten():
    watch = FallWatch(SPARE_G)
    watch.medians, watch.falls, watch.alarmed = [(1.0, 2.0)], [1.0], True
    watch.cusum.total = 5.0
    watch.restart()
    assert (watch.medians, watch.falls, watch.alarmed, watch.cusum.total) == ([], [], False, 0.0)


def stood_on(s):
    """Grams lost s seconds after 780 g has begun to climb on: it stays for half an hour."""
    return np.minimum(np.maximum(s - 1800, 0), 60) * 13 - np.minimum(s, 60) * 13


def test_a_load_that_is_taken_off_little_by_little_is_no_flood():
    assert found(stood_on, length_s=4000) is None


def test_a_flood_after_it_is_one_once_less_is_left_than_before():
    flood = found(lambda s: stood_on(s) + np.maximum(s - 2400, 0) / 12, length_s=4000)
    assert flood is not None
    assert flood.t_s - BEGINS_S - 2400 < 240


@pytest.mark.parametrize("lasts_s", [60.0, 128.0, 230.0])
@pytest.mark.parametrize("lifts_g", [30.0, 116.0])
def test_a_hand_that_lifts_the_bottle_slowly_is_no_flood(lasts_s, lifts_g):
    """It trembles by a tenth of what it lifts, and lets go."""
    rng = np.random.default_rng(3)

    def lost(s):
        held = (s > 0) & (s < lasts_s)
        lifted = lifts_g * np.sin(np.pi * np.clip(s / lasts_s, 0.0, 1.0))
        return np.where(held, lifted + rng.normal(0, 0.1 * lifts_g, len(s)), 0.0)

    assert found(lost) is None


def test_a_flood_under_a_bottle_that_trembles_is_told_minutes_later():
    rng = np.random.default_rng(3)
    fall = found(lambda s: 0.4 * s + np.where(s > 0, rng.normal(0, 3.0, len(s)), 0.0))
    assert fall is not None
    assert fall.t_s < BEGINS_S + 420


def test_after_a_gap_the_noise_is_still_known():
    """A flood that began while nothing was read is told within minutes, also from sparse rows."""
    watch = FallWatch(SPARE_G)
    t_s = np.concatenate([np.arange(0.0, 3600.0, 60.0), np.arange(7200.0, 9000.0, 60.0)])
    mass_g = 300.0 - 62.0 / 3600 * np.maximum(t_s - 5000.0, 0.0)
    mass_g += np.random.default_rng(2).normal(0.0, 0.02, len(t_s))
    rows = Rows(t_s, mass_g, np.full(len(t_s), 20.0), np.zeros((len(t_s), 0)))
    falls = [watch.push(rows.part(k, k + 1)) for k in range(len(t_s))]
    (fall,) = [fall for fall in falls if fall is not None]
    assert fall.t_s < 7200.0 + 600.0
    assert fall.rate_g_per_h == pytest.approx(62.0, rel=0.1)


@pytest.mark.parametrize("spacing_s", [30.0, 60.0, 90.0, 120.0, 300.0])
def test_rows_may_come_as_seldom_and_as_unevenly_as_they_like(spacing_s):
    rng = np.random.default_rng(3)
    t_s = np.arange(0.0, 40_000.0, spacing_s)
    t_s += rng.uniform(-0.1, 0.1, len(t_s)) * spacing_s
    mass_g = 300.0 - 120.0 / 3600 * np.maximum(t_s - 20_000.0, 0.0)
    mass_g += rng.normal(0.0, 0.02, len(t_s))
    watch = FallWatch(SPARE_G)
    rows = Rows(t_s, mass_g, np.full(len(t_s), 20.0), np.zeros((len(t_s), 0)))
    falls = [watch.push(rows.part(k, k + 1)) for k in range(len(t_s))]
    (fall,) = [fall for fall in falls if fall is not None]
    assert 20_000.0 < fall.t_s < 20_000.0 + 240.0 + 6 * spacing_s
