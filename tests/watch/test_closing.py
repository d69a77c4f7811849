"""The closing tail is a p-value: on tight nights out of the filter's own model it is uniform."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch.cell_states import OFFSET, SIZE
from soakmon.watch.closing import chance_of_losing, chance_of_none
from soakmon.watch.mass_filter import MassFilter
from soakmon.watch.spread import PARTS, Slices

pytestmark = pytest.mark.long

NIGHTS, MINUTES, ONSETS = 400, 150, 33
WALK_G_PER_ROOT_H, NOISE_G, START_G = 0.05, 0.02, 1.0
EVAPORATES_G_PER_H = np.array([0.06, 0.05])
BELIEFS = Slices(np.ones(1), np.zeros((1, PARTS)), np.array([[[0.04, 0.01], [0.01, 0.09]]]))
ROW = np.eye(SIZE)[OFFSET]


def one_filter() -> MassFilter:
    """A bank of one kind of cell that only walks: what is drawn below is its model to the bit."""
    made = MassFilter(BELIEFS, 0.0, ONSETS, short_g=(0.3, 0.1), unsteady_rel_sd=0.0)
    made.keep(slice(1))
    made.drift_g2_per_h = np.full(1, WALK_G_PER_ROOT_H**2)
    made.swings_g2[:], made.cov[:], made.mean[:] = 0.0, 0.0, 0.0
    made.cov[:, OFFSET, OFFSET] = START_G**2
    return made


def night(rng: np.random.Generator, leak_g_per_h: float = 0.0) -> SimpleNamespace:
    """A tight night, or one that leaks from the start, as `closing` sees it."""
    told = one_filter()
    departs = rng.multivariate_normal(np.zeros(PARTS), BELIEFS.cov[0])
    offset_g, hours = rng.normal(0, START_G), 1 / 60
    began_h = np.arange(ONSETS) * MINUTES / ONSETS / 60
    for minute in range(1, MINUTES + 1):
        walked = np.cumsum(rng.normal(0, WALK_G_PER_ROOT_H * np.sqrt(hours / 30), 30))
        gone_g = EVAPORATES_G_PER_H * minute * hours
        leaked_g = leak_g_per_h * minute * hours
        reading_g = offset_g + walked.mean() - departs @ gone_g - leaked_g
        offset_g += walked[-1]
        told.predict(hours)
        inputs = -np.concatenate((gone_g, np.maximum(minute * hours - began_h, 0.0)))
        told.update(ROW, reading_g + rng.normal(0, NOISE_G), NOISE_G, inputs)
    return SimpleNamespace(filter=told, start_s=0.0, last_s=60.0 * MINUTES)


@pytest.fixture(scope="module")
def tight() -> list[SimpleNamespace]:
    rng = np.random.default_rng(7)
    return [night(rng) for _ in range(NIGHTS)]


@pytest.mark.parametrize("level", [0.05, 0.2, 0.5, 0.8])
def test_the_tail_from_the_start_is_uniform_on_tight_nights(tight, level):
    below = np.mean([1 - chance_of_losing(weep, 0.0) < level for weep in tight])
    assert below == pytest.approx(level, abs=3.5 * np.sqrt(level * (1 - level) / NIGHTS))


@pytest.mark.parametrize("level", [0.05, 0.2])
def test_three_onsets_together_keep_the_level(tight, level):
    below = np.mean([chance_of_none(weep) < level for weep in tight])
    assert below <= level + 3.5 * np.sqrt(level / NIGHTS)
    # The start alone has two thirds of it.
    assert below >= 2 / 3 * level - 3.5 * np.sqrt(level / NIGHTS)


def test_a_leak_is_in_the_tail():
    rng = np.random.default_rng(8)
    assert all(chance_of_none(night(rng, leak_g_per_h=0.5)) < 1e-3 for _ in range(5))
