"""How leak tests are evaluated: published listings, and values worked out with scipy.

The formulas are those of the EPA standard test procedures (UST-90-004), from memory.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from soakmon.capability.tables import Errors, lower_share, upper_share
from soakmon.watch.decide import decide
from soakmon.watch.settings import Priors, described
from soakmon.weigh.student import t_quantile, t_upper
from tests.watch.nights import BENCH, night

WORKED = Errors(24, 0.006, 0.025)
# A bench that is as described, after a blank run.
MEASURED = described(1.0)


def test_quantiles_of_twenty_three_degrees_of_freedom():
    assert t_quantile(0.95, 23) == pytest.approx(1.713871527747048, rel=1e-12)
    assert t_quantile(0.975, 23) == pytest.approx(2.0686576104190486, rel=1e-12)


@given(st.floats(-12, 12), st.integers(1, 200))
def test_student_against_scipy(t, freedom):
    # Near t = 0 scipy itself is off by 1e-11 for one degree of freedom (1/2 − atan(t)/π).
    assert t_upper(t, freedom) == pytest.approx(float(stats.t.sf(t, freedom)), abs=1e-10)


def test_the_worked_case_without_its_bias():
    """n 24, B 0.006, SD 0.025: the bias is not significant.

    An invented case, worked out with scipy: EPA's own example was not to be read.
    """
    assert WORKED.t_bias == pytest.approx(1.17576, abs=1e-5)
    assert not WORKED.biased
    assert WORKED.threshold == pytest.approx(0.0428468, abs=1e-7)
    assert WORKED.smallest_leak == pytest.approx(0.0856936, abs=1e-7)


def test_largest_spread_that_passes():
    """40 CFR 280.40: 0.1 gal/h (gauges: 0.2) at 95 and 5 %; at half of it SD ≤ half/1.7138715."""
    for leak, most in ((0.1, 0.0291737), (0.2, 0.0583474)):
        errors = Errors(24, 0.0, most)
        assert errors.threshold == pytest.approx(leak / 2, abs=1e-6)
        assert errors.smallest_leak == pytest.approx(leak, abs=1e-6)


@pytest.mark.parametrize(
    ("priors", "evaporation", "leak_g_per_h", "outcome"),
    [
        (MEASURED, 1.0, 0.0, "tight"),
        (MEASURED, 1.0, 0.5, "leaking"),
        (Priors(), 2.5, 0.0, "not_proven"),
        (Priors(), 1.0, 2.0, "leaking"),
    ],
)
def test_three_ways_of_inventory_reconciliation(priors, evaporation, leak_g_per_h, outcome):
    """EPA UST-90/007, 7.2.3, as California's LG-113 quotes it: a rate from the threshold on fails;
    below it passes what could have found the target, and the rest is inconclusive.

    The rule asks for the smallest leak that the method finds; here it is the largest that this very
    run could hide, which a small loss bounds even where nothing of the bench is known.
    """
    settings = replace(BENCH, priors=priors)
    rows = night(4, leak_g_per_h=leak_g_per_h, evaporation=evaporation)
    verdict = decide(rows, settings, phase="soaking").verdict
    hides_less = 24 * verdict.leak_g_per_h.high <= settings.criterion_g_per_day
    by_the_rule = "leaking" if verdict.leaks else "tight" if hides_less else "not_proven"
    assert verdict.outcome.value == outcome == by_the_rule


def test_a_threshold_is_half_of_what_is_found():
    """23 CCR 2643 (from 2018): threshold at most half of the minimum detectable leak."""
    assert WORKED.threshold <= WORKED.smallest_leak / 2 * (1 + 1e-12)


def test_a_bias_that_counts():
    errors = Errors.of([0.1 + 0.01 * (k % 5) for k in range(24)])
    assert errors.biased
    assert errors.counted_bias == errors.bias
    beyond = (errors.threshold - errors.bias) / errors.sd
    assert float(stats.t.sf(beyond, 23)) == pytest.approx(0.05)


@given(st.integers(0, 60), st.integers(1, 60))
def test_limits_of_proportions_against_scipy(found, tried):
    found = min(found, tried)
    result = stats.binomtest(found, tried)
    upper = result.proportion_ci(0.9, "exact").high
    lower = result.proportion_ci(0.9, "exact").low
    assert upper_share(found, tried) == pytest.approx(float(upper), abs=1e-9)
    assert lower_share(found, tried) == pytest.approx(float(lower), abs=1e-9)


def test_rule_of_three():
    """None in 300: under 1 % with 95 % confidence (common practice)."""
    assert upper_share(0, 300) == pytest.approx(1 - 0.05 ** (1 / 300))
    assert upper_share(0, 300) < 0.01
    assert upper_share(0, 0) == 1
