"""Dark rates of a gate, by what the other gates of its bench count."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from soakmon.watch.dark import MULTIPLES, log_weights

NOISY = MULTIPLES >= 30


@given(
    counts=st.lists(st.integers(0, 2000), max_size=7),
    dark_per_h=st.floats(0.001, 1.0),
    hours=st.floats(0.0, 100.0),
)
def test_weights_are_a_chance_of_one(counts, dark_per_h, hours):
    weights = np.exp(log_weights(counts, dark_per_h, hours))
    # A floor keeps what cannot be from being no number.
    assert weights.sum() == pytest.approx(1.0, abs=1e-6)


def test_before_anything_is_counted_a_gate_is_as_expected_or_less():
    weights = np.exp(log_weights([], 0.02, 0.0))
    assert MULTIPLES[weights.argmax()] == 1.0
    # 0.004 + 0.003 of the benches count 300 times what is expected and more; a gate is as its
    # bench, one step beside it or, in five of a thousand, noisy by itself.
    assert weights[MULTIPLES >= 300].sum() == pytest.approx(0.007 + 0.2 * 0.006 * 0.9, abs=0.003)
    assert float(weights @ MULTIPLES) == pytest.approx(10.0, rel=0.3)


def test_a_quiet_bench_makes_a_noisy_gate_unlikely():
    quiet, noisy = (np.exp(log_weights(counts, 0.02, 12.0)) for counts in ([0, 0, 0], [9, 14, 6]))
    assert quiet[NOISY].sum() < 0.01
    assert noisy[NOISY].sum() > 0.5


def test_gates_that_leak_make_no_noisy_bench():
    weights = np.exp(log_weights([900, 0, 0], 0.02, 12.0))
    assert weights[NOISY].sum() < 0.02


@pytest.mark.parametrize("place", range(1, 6))
def test_the_bench_is_told_by_gates_that_count_alike(place):
    """Three gates for a day at a multiple of 0.2 an hour: so is the fourth, or a step beside."""
    expected = MULTIPLES[place] * 0.2 * 24
    weights = np.exp(log_weights([round(expected)] * 3, 0.2, 24.0))
    assert weights.argmax() == place
    assert weights[place - 1 : place + 2].sum() > 0.95
    # Six in ten of a gate's neighbours are as the bench, and a fifth to either side.
    assert weights[place] == pytest.approx(0.6, abs=0.12)


def test_it_is_bayes_over_benches_and_gates():
    """By hand: 0.2 an hour expected, five hours, one gate that counted three and one none."""
    size = len(MULTIPLES)
    bench = np.array([0.32, 0.4, 0.21, 0.045, 0.012, 0.006, 0.004, 0.003])
    given = np.zeros((size, size))
    for place in range(size):
        beside = [one for one in (place - 1, place + 1) if 0 <= one < size]
        given[place, place] = 0.6
        given[place, beside] = 0.2
        given[place] /= given[place].sum()
        # 10, 30, 100, 300 and 1,000 times what is expected are noisy.
        given[place] = 0.995 * given[place] + 0.005 * (MULTIPLES >= 10) / 5
    for count in (3, 0):
        counts = given @ poisson.pmf(count, MULTIPLES * 0.2 * 5)
        # A tenth of the gates count something else: 1/2 none, 1/6 one, 1/12 two, ...
        bench = bench * (0.9 * counts + 0.1 / ((count + 1) * (count + 2)))
    exact = (bench / bench.sum()) @ given
    assert np.exp(log_weights([3, 0], 0.2, 5.0)) == pytest.approx(exact, rel=1e-6, abs=1e-9)


def test_one_noisy_gate_alone_is_noisy_by_itself():
    weights = np.exp(log_weights([60, 0, 0], 0.02, 12.0))
    assert weights[MULTIPLES <= 3].sum() > 0.95
