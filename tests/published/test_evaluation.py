"""How leak tests are evaluated: published listings, and values computed with scipy.

The formulas are those of the EPA standard test procedures (UST-90-004), from memory; the quadruples
are from public listings of underground storage tank methods (NWGLDE; California LG-113).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from soakmon.capability.tables import Errors, lower_share, upper_share
from soakmon.weigh.student import t_quantile, t_upper

WORKED = Errors(24, 0.006, 0.025)


def test_quantiles_of_twenty_three_degrees_of_freedom():
    assert t_quantile(0.95, 23) == pytest.approx(1.713871527747048, rel=1e-12)
    assert t_quantile(0.975, 23) == pytest.approx(2.0686576104190486, rel=1e-12)


@given(st.floats(-12, 12), st.integers(1, 200))
def test_student_against_scipy(t, freedom):
    # Near t = 0 scipy itself is off by 1e-11 for one degree of freedom (1/2 − atan(t)/π).
    assert t_upper(t, freedom) == pytest.approx(float(stats.t.sf(t, freedom)), abs=1e-10)


def test_the_worked_case_without_its_bias():
    """n 24, B 0.006, SD 0.025, C 0.05, R 0.10: the bias is not significant."""
    assert WORKED.t_bias == pytest.approx(1.17576, abs=1e-5)
    assert not WORKED.biased
    assert WORKED.p_false_alarm(0.05) == pytest.approx(0.0287222, abs=1e-7)
    assert WORKED.p_detection(0.05, 0.10) == pytest.approx(0.9712778, abs=1e-7)
    assert WORKED.threshold == pytest.approx(0.0428468, abs=1e-7)
    assert WORKED.smallest_leak == pytest.approx(0.0856936, abs=1e-7)


def test_the_worked_case_with_its_bias():
    assert WORKED.p_false_alarm(0.05, bias=0.006) == pytest.approx(0.0458515, abs=1e-7)
    assert WORKED.p_detection(0.05, 0.10, bias=0.006) == pytest.approx(0.9824760, abs=1e-7)


# ((rate R, threshold C), (detection, false alarm) as listed, (SD, B) that give them with 23 df).
@pytest.mark.parametrize(
    ("test", "listed", "spread"),
    [
        ((0.20, 0.10), (0.953, 0.047), (0.057245, 0.0)),
        ((0.10, 0.05), (0.999, 0.001), (0.014347, 0.0)),
        ((0.20, 0.13), (0.951, 0.027), (0.053257, 0.02185)),
    ],
)
def test_listed_methods(test, listed, spread):
    leak, threshold = test
    sd, bias = spread
    errors = Errors(24, bias, sd)
    given_bias = errors.p_detection(threshold, leak, bias=bias)
    assert (given_bias, errors.p_false_alarm(threshold, bias=bias)) == pytest.approx(
        listed, abs=2e-5
    )


def test_largest_spread_that_passes():
    """Tank tests must find 0.1 gal/h at half of it: SD ≤ 0.0291737; gauges 0.2: 0.0583474."""
    for leak, most in ((0.1, 0.0291737), (0.2, 0.0583474)):
        errors = Errors(24, 0.0, most)
        assert errors.p_false_alarm(leak / 2) == pytest.approx(0.05, abs=1e-6)
        assert errors.smallest_leak == pytest.approx(leak, abs=1e-6)


def test_a_bias_that_counts():
    errors = Errors.of([0.1 + 0.01 * (k % 5) for k in range(24)])
    assert errors.biased
    assert errors.counted_bias == errors.bias
    assert errors.p_false_alarm(errors.threshold) == pytest.approx(0.05)


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
