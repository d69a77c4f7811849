"""How bowls are fed, by hand: 1,200 mm² of petrol of 745 kg/m³ weigh 0.894 g a millimetre."""

from __future__ import annotations

import math

import pytest

from soakmon.physics.fuels import FUELS
from soakmon.physics.geometry import Bowl
from soakmon.watch.needles import (
    COMMON_SIP_G,
    LARGEST_SIP_G,
    LEAST_SIP_G,
    most_short_g,
    rise_g,
    short_g,
)

PETROL = FUELS["petrol_a"]
BOWL = Bowl(area_mm2=1200.0, headroom_mm=6.0)
G_PER_MM = 0.894


def test_a_bowl_is_short_of_a_tenth_of_a_millimetre():
    short, sd = short_g([BOWL], PETROL)
    assert short == pytest.approx(0.09 * G_PER_MM)
    assert sd == pytest.approx(0.095 * G_PER_MM)


def test_bowls_are_short_together_and_stray_each_for_itself():
    one, four = short_g([BOWL], PETROL), short_g([BOWL] * 4, PETROL)
    assert four[0] == pytest.approx(4 * one[0])
    assert four[1] == pytest.approx(2 * one[1])


def test_a_bench_without_bowls_still_has_a_place_that_fuel_is_drawn_to():
    assert short_g([], PETROL) == pytest.approx((0.01, 0.095 / 0.09 * 0.01))


def test_no_bowl_falls_by_more_than_a_third_of_a_millimetre():
    assert most_short_g(short_g([BOWL], PETROL)[0]) == pytest.approx(0.3 * G_PER_MM)


def test_the_way_up_to_the_lip():
    assert rise_g(BOWL, PETROL) == pytest.approx(6.0 * G_PER_MM)


def test_the_usual_sip_is_the_middle_of_all_that_are_met_with():
    assert (LEAST_SIP_G, LARGEST_SIP_G) == (0.04, 0.6)
    assert math.log(COMMON_SIP_G) == pytest.approx(
        (math.log(LEAST_SIP_G) + math.log(LARGEST_SIP_G)) / 2
    )
