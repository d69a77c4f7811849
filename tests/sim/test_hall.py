"""The simulated hall: the same again whenever asked, and what befalls all befalls all."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sim.hall import Hall, Mishaps, Stretch

HALL = Hall(40, 600.0, Mishaps.over(600.0))


@given(number=st.integers(0, 39), cuts=st.lists(st.integers(1, 599), max_size=4))
def test_readings_are_the_same_however_they_are_asked_for(number, cuts):
    bench = HALL.benches[number]
    edges = sorted({0, 600, *cuts})
    parts = [HALL.readings(bench, a, b) for a, b in pairwise(edges)]
    whole = HALL.readings(bench, 0, 600)
    assert len(whole) == 600
    for column in ("t_s", "mass_g", "air_c", "drops"):
        joined = np.concatenate([getattr(part, column) for part in parts])
        assert np.array_equal(joined, getattr(whole, column))


def test_what_befalls_the_hall_is_in_order_and_within_it():
    for length_s in (240.0, 600.0, 3600.0):
        mishaps = Mishaps.over(length_s)
        assert 0 < mishaps.upgrade_s < mishaps.power.from_s < mishaps.power.to_s
        assert mishaps.power.to_s < mishaps.wire.from_s < mishaps.wire.to_s
        assert mishaps.wire.to_s == mishaps.hot.from_s < mishaps.hot.to_s == length_s
        assert mishaps.power.to_s - mishaps.power.from_s >= 60


def test_the_afternoon_is_hot_for_all_and_its_alarms_come_together():
    hall = Hall(200, 600.0, Mishaps(hot=Stretch(300.0, 600.0)))
    for bench in hall.benches[:5]:
        air_c = hall.readings(bench, 0, 600).air_c
        assert np.mean(air_c[540:]) > np.mean(air_c[:300]) + 5
    heated = [a for bench in hall.benches for a in bench.alarms_s if a >= 300]
    assert len(heated) >= 10
    assert max(heated) - min(heated) <= 10


def test_only_who_raises_an_alarm_weeps_and_marks_are_nobody_elses():
    marks = [bench.uid(k) for bench in HALL.benches for k in range(2)]
    assert len(set(marks)) == len(marks)
    assert {len(mark) for mark in marks} == {12}
    for bench in HALL.benches:
        assert (bench.weeps is None) == (not bench.alarms_s)
