"""A cell that only looks alive never makes a tight rack."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.decide import decide, watched
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome, Verdict
from tests.watch.nights import night


def judged(rows: Rows) -> Verdict:
    return decide(rows, Settings(), phase="soaking").verdict


def still(mean_c: float, sd_g: float, seed: int) -> Rows:
    """A disconnected bridge: 320 g whatever happens, within sd_g."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, 86400.0, 10.0)
    air_c = mean_c + 6 * np.sin(2 * np.pi * t_s / 86400)
    mass = 320 + rng.normal(0, sd_g, len(t_s))
    return Rows(t_s, np.round(mass, 4), air_c, np.zeros((len(t_s), 4)))


@pytest.mark.parametrize("mean_c", [-8.0, -2.0, 3.0, 12.0])
@pytest.mark.parametrize("sd_g", [0.001, 0.03])
def test_a_dead_bridge_is_not_tight_however_cold_the_shop(mean_c, sd_g):
    verdict = judged(still(mean_c, sd_g, 1))
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "check" in verdict.reason


def test_a_bottle_that_gets_heavier_is_told_as_such():
    rows = night(2)
    verdict = judged(replace(rows, mass_g=rows.mass_g + 3.5 * rows.t_s / 86400))
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "heavier" in verdict.reason


def test_a_frozen_cell_is_found_though_the_number_of_readings_a_minute_varies():
    """The mean of seven equal numbers differs from that of six in its last bits."""
    rows = night(5, spacing_s=5.0, hours=10)
    keep = np.random.default_rng(1).random(len(rows)) > 0.3
    mass = rows.mass_g.copy()
    mass[rows.t_s > 3 * 3600] = 321.7391
    cut = Rows(rows.t_s[keep], mass[keep], rows.air_c[keep], rows.drops[keep])
    assert "cell_frozen" in {fault.kind for fault in judged(cut).faults}


def test_a_sip_late_in_the_night_shows_that_the_cell_lives():
    rows = night(2)
    warm = replace(
        rows, mass_g=rows.mass_g[0] + np.random.default_rng(3).normal(0, 0.03, len(rows))
    )
    late = rows.t_s > 20 * 3600
    moved = replace(warm, mass_g=warm.mass_g - 0.4 * late)
    assert watched(moved, Settings(), phase="soaking").follower.moved_s > 19 * 3600
    assert watched(warm, Settings(), phase="soaking").follower.moved_s < 0
