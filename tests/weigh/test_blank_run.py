"""Blank runs: the ratio, how sure it is, and what refuses one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.physics.expectation import expected_loss
from soakmon.physics.geometry import BenchGeometry
from soakmon.weigh.blank_run import UnsureError, blank_run, blank_weighed
from tests.weigh.test_bench_tests import FUEL


def blank(scale, *, hours=24.0, noise_g=0.01, seed=1):
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, hours * 3600 + 1, 60.0)
    air_c = np.full(t_s.shape, 20.0)
    alone = replace(BenchGeometry(), bowls=())
    loss = scale * expected_loss(alone, FUEL, t_s, air_c).best_g
    return t_s, 330.0 - loss + rng.normal(0, noise_g, len(t_s)), air_c


@pytest.mark.parametrize("scale", [0.6, 1.0, 1.7])
def test_a_blank_run_gives_back_the_ratio(scale):
    """And the grams that went from its first reading to its last."""
    result = blank_run(BenchGeometry(), FUEL, *blank(scale))
    assert result.blank_scale == pytest.approx(scale, abs=2 * result.scale.u)
    t_s, _, air_c = blank(scale)
    alone = replace(BenchGeometry(), bowls=())
    lost_g = scale * expected_loss(alone, FUEL, t_s, air_c).best_g[-1]
    assert result.measured_g.value == pytest.approx(lost_g, abs=result.measured_g.expanded)
    assert result.measured_g.value / result.expected_g == pytest.approx(result.blank_scale)
    assert result.believable


def test_a_cell_that_walks_makes_the_ratio_unsure():
    """A cell that walks 0.2 g in a day: as unsure is stated as comes out."""
    rng = np.random.default_rng(3)
    t_s, mass_g, air_c = blank(3.0)
    off, stated = [], []
    for _ in range(60):
        walk = np.cumsum(rng.normal(0, 0.2 / np.sqrt(1440), len(t_s)))
        result = blank_run(BenchGeometry(), FUEL, t_s, mass_g + walk, air_c)
        off.append(result.blank_scale / 3.0 - 1)
        stated.append(result.scale.u / 3.0)
    assert 0.7 < np.sqrt(np.mean(np.square(stated))) / np.std(off) < 1.5


def test_a_blank_run_of_a_cell_that_strays_says_how_long_it_needs():
    rng = np.random.default_rng(5)
    t_s, mass_g, air_c = blank(1.0, hours=12.0)
    walk = np.cumsum(rng.normal(0, 0.2 / np.sqrt(1440), len(t_s)))
    with pytest.raises(UnsureError, match=r"too small .* run it for about \d+ hours") as refused:
        blank_run(BenchGeometry(), FUEL, t_s, mass_g + walk, air_c)
    assert 14 < refused.value.needed_hours < 200


def test_spikes_and_coarse_steps_do_not_matter_to_a_blank_run():
    rng = np.random.default_rng(6)
    t_s, mass_g, air_c = blank(2.0)
    mass_g[rng.integers(0, len(mass_g), 20)] += 300.0
    mass_g[-1] -= 700.0
    result = blank_run(BenchGeometry(), FUEL, t_s, np.round(mass_g / 0.05) * 0.05, air_c)
    assert result.blank_scale == pytest.approx(2.0, abs=2 * result.scale.u)
    assert result.scale.u < 0.2


def test_a_weighed_blank_run_is_as_sure_as_its_scale():
    """Two single weighings: repeatability and, unless the scale is tared, what it strays in a day.

    By hand: 0.03 g of one weighing, twice, and 0.01 g read, twice: 0.0426 g; 0.4 g a day: 0.4023.
    """
    weighings = {"before_g": [450.0], "after_g": [447.0]}
    tared = blank_weighed(BenchGeometry(), FUEL, 24.0, 20.0, **weighings, drift_g=0.0)
    stays = blank_weighed(BenchGeometry(), FUEL, 24.0, 20.0, **weighings)
    assert tared.measured_g.u == pytest.approx(0.04262, abs=2e-5)
    assert stays.measured_g.u == pytest.approx(0.40226, abs=2e-5)
    # Half a day later the shop is at its other end.
    ends = {"before_g": [450.0], "after_g": [440.0]}
    half = blank_weighed(BenchGeometry(), FUEL, 12.0, 20.0, **ends)
    assert half.measured_g.u == pytest.approx(0.4 * (0.5 + 4.0) ** 0.5, rel=0.02)
    with pytest.raises(UnsureError, match="run it for about"):
        blank_weighed(BenchGeometry(), FUEL, 24.0, 20.0, before_g=[450.0], after_g=[449.29])


def test_gaps_do_not_matter_to_a_blank_run():
    t_s, mass_g, air_c = blank(1.2)
    mass_g[300:320] = np.nan
    air_c[500:600] = np.nan
    assert blank_run(BenchGeometry(), FUEL, t_s, mass_g, air_c).blank_scale == pytest.approx(
        1.2, 0.02
    )


def test_a_leaking_hose_is_not_believable():
    t_s, mass_g, air_c = blank(1.0)
    leaking = blank_run(BenchGeometry(), FUEL, t_s, mass_g - t_s / 3600 * 0.5, air_c)
    assert not leaking.believable


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t, m, a: (t[:200], m[:200], a[:200]), "needs 6 hours"),
        (lambda t, m, a: (t, m * 0 + 330.0, a), "too small"),
        (lambda t, m, a: (t, m, a * np.nan), "no temperature"),
        (lambda t, m, a: (t, m * np.nan, a), "no temperature|needs 6 hours"),
    ],
)
def test_blank_runs_that_say_nothing_are_refused(change, says):
    with pytest.raises(ValueError, match=says):
        blank_run(BenchGeometry(), FUEL, *change(*blank(1.0)))
