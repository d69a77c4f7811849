"""What is taken out of the readings, and what is put back."""

from __future__ import annotations

import math

import pytest

from soakmon.watch.large_sips import Jump
from soakmon.watch.steps import Steps


def test_what_lies_on_the_bottle_for_a_while_leaves_nothing_behind():
    steps = Steps()
    steps.take_out(Jump(0.0, 120.0, 3.0), from_g=0.0, to_g=3.0)
    steps.take_out(Jump(600.0, 720.0, 250.0), from_g=3.0, to_g=253.0)
    steps.take_out(Jump(900.0, 1020.0, 40.0), from_g=253.0, to_g=293.0)
    assert steps.load is not None
    # Off again: the bottle weighs what it did, but for what it has lost since.
    steps.take_out(Jump(1800.0, 1920.0, -290.0), from_g=293.0, to_g=2.6)
    assert steps.load is None
    assert steps.removed_g == pytest.approx(3.0)


def test_what_comes_off_hours_later_was_something_else():
    steps = Steps()
    steps.take_out(Jump(0.0, 120.0, 250.0), from_g=0.0, to_g=250.0)
    steps.take_out(Jump(4 * 3600.0, 4 * 3600.0 + 120, -250.0), from_g=250.0, to_g=0.0)
    assert steps.removed_g == pytest.approx(0.0)
    assert steps.load is not None


def test_the_third_sip_of_a_size_puts_the_others_back():
    steps = Steps()
    for place, size_g in enumerate((-0.9, -1.0)):
        jump = Jump(600.0 * place, 600.0 * place + 120, size_g)
        assert steps.needles(jump) == []
        steps.take_out(jump, from_g=0.0, to_g=size_g)
    assert steps.removed_g == pytest.approx(-1.9)
    assert steps.down_g == pytest.approx(1.9)
    assert len(steps.needles(Jump(1200.0, 1320.0, -0.8))) == 3
    assert steps.removed_g == pytest.approx(0.0)
    assert steps.down_g == pytest.approx(0.0)
    # The minutes in which each was looked at, and then all that came after it.
    noted = [(one.from_s, one.until_s, round(one.by_g, 9)) for one in steps.amendments]
    assert noted == [
        (0.0, 120.0, 0.9),
        (600.0, 720.0, 1.0),
        (120.0, math.inf, -0.9),
        (720.0, math.inf, -1.0),
    ]


def test_under_a_load_nothing_is_a_needles():
    steps = Steps()
    steps.take_out(Jump(0.0, 120.0, 80.0), from_g=0.0, to_g=80.0)
    assert not any(steps.needles(Jump(600.0 * k, 600.0 * k, -0.9)) for k in range(5))


def test_a_rise_that_goes_back_unnoticed_is_no_longer_taken_out():
    steps = Steps()
    steps.take_out(Jump(0.0, 120.0, 0.3), from_g=0.0, to_g=0.3)
    steps.rises.add(0.0, 0.3)
    assert not steps.goes_back(60.0, -0.1)
    assert not steps.goes_back(60.0, 0.1)
    assert steps.goes_back(600.0, 0.28)
    assert steps.removed_g == pytest.approx(0.02)
    assert not steps.goes_back(660.0, 0.28)
