"""Numbers as people read them: limits are never rounded to the side where they say too much."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.report import words
from soakmon.watch.figures import (
    at_least,
    at_most,
    between,
    percent_at_least,
    percent_at_most,
    places_of,
    plain,
    rounded_up,
)
from soakmon.watch.verdict import Band, Outcome

VALUES = st.floats(1e-6, 1e6)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(0.0123, 2, "0.012"), (1.449, 2, "1.4"), (244, 2, "240"), (5800, 2, "5800"), (0, 2, "0"),
     (0.996, 2, "1"), (9.96, 2, "10"), (-0.0123, 2, "-0.012"), (1e-7, 2, "0.0000001")],
)  # fmt: skip
def test_plain(value, digits, text):
    assert plain(value, digits) == text


@pytest.mark.parametrize(
    ("value", "down", "up"),
    [(2.049, "2", "2.1"), (2.1, "2.1", "2.1"), (0.05, "0.05", "0.05"), (241, "240", "250"),
     (0.0301, "0.03", "0.031"), (0.0, "0", "0"), (1.001, "1", "1.1")],
)  # fmt: skip
def test_limits(value, down, up):
    assert (at_least(value), at_most(value)) == (down, up)


@given(VALUES, st.integers(1, 4))
def test_a_limit_is_never_passed(value, digits):
    assert float(at_least(value, digits)) <= value * (1 + 1e-8)
    assert float(at_most(value, digits)) >= value * (1 - 1e-8)
    # And no further off than one of its last digit.
    step = 10.0 ** -places_of(value, digits)
    assert float(at_most(value, digits)) - float(at_least(value, digits)) <= 1.001 * step


def test_an_interval_has_the_digits_of_its_best_value():
    """0.995 to 1.125 about 1.06 were told as 1 to 1.1: neither end was in it."""
    assert between(0.995, 1.125, places_of(1.06, 3)) == "0.99 to 1.13"
    told = words.leak(Band(1.06, 0.995, 1.125), Outcome.LEAKING)
    assert told == "25.4 g/day (95 %: 23.8 to 27 g/day)"
    assert words.leak(Band(0.0, 0.0, 0.08334), Outcome.TIGHT).startswith("less than 2.1 g/day")
    # Where a run can tell nothing, no figure is told.
    assert "cannot be told" in words.leak(Band(0.0, 0.0, 62_000.0), Outcome.NOT_PROVEN)
    assert words.grams(-0.001) == "0.00 g"


@pytest.mark.parametrize(
    ("share", "least", "most"),
    [
        (0.0029, "0.2%", "0.3%"),
        (0.003, "0.3%", "0.3%"),
        (0.99952, "99.9%", "100.0%"),
        (0, *["0.0%"] * 2),
    ],
)
def test_limits_of_shares(share, least, most):
    assert (percent_at_least(share), percent_at_most(share)) == (least, most)
    assert percent_at_least(0.996, 0) == "99%"


def test_what_arithmetic_left_in_the_last_bits_is_no_digit():
    assert rounded_up(0.1 + 0.2, 4) == 0.3
    assert rounded_up(0.05, 4) == 0.05
