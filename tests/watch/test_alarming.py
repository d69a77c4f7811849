"""What gives alarm beside the sequential tests, and which alarms a fill does away with."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from soakmon.watch.alarming import accounted_g_per_h, new_alarms, of_fill
from soakmon.watch.decide import watched
from soakmon.watch.verdict import Alarm, Band, leak_alarm
from tests.watch.nights import BENCH, night

DROP_G = 0.01


def accounted(*, counted: int, steady: float, lost_g: float, unsure_g: float = 0.5) -> float:
    """The rate that drops at a gate of a soak of ten hours account for, g/h."""
    tally = SimpleNamespace(since=lambda *_: counted, steady=lambda *_: steady)
    band = Band(3.0, 3.0 - unsure_g / 2, 3.0 + unsure_g / 2)
    curve = SimpleNamespace(expected=lambda: band, observed_g=lambda: 3.0 + lost_g)
    record = SimpleNamespace(tally=tally, curve=curve, soak_s=0.0, last_row_s=36000.0)
    return accounted_g_per_h(record, SimpleNamespace(drop_g=[DROP_G]), 0)


def test_drops_account_for_just_what_the_bottle_lost_beyond_evaporation():
    assert accounted(counted=500, steady=490.0, lost_g=5.0) == pytest.approx(0.5)
    assert accounted(counted=500, steady=490.0, lost_g=15.0) == 0.0
    assert accounted(counted=500, steady=490.0, lost_g=0.0) == 0.0


def test_bursts_few_grams_and_an_unsure_evaporation_account_for_nothing():
    assert accounted(counted=500, steady=300.0, lost_g=5.0) == 0.0
    assert accounted(counted=190, steady=190.0, lost_g=1.9) == 0.0
    assert accounted(counted=500, steady=490.0, lost_g=5.0, unsure_g=20.0) == 0.0


def test_what_has_alarmed_gives_no_alarm_again():
    record = watched(night(1, leak_g_per_h=1.0, carb=3, hours=3.0), BENCH, phase="soaking")
    assert [alarm.carb for alarm in record.alarms] == [3]
    assert new_alarms(record, record.weep) == []
    again = new_alarms(replace(record, alarms=()), record.weep)
    assert [(alarm.kind, alarm.carb) for alarm in again] == [("weep", 3)]


@pytest.mark.parametrize(
    ("alarm", "stays"),
    [
        (leak_alarm(4000.0, "flood", 2, 300.0), True),  # overflowed before the fill was plain
        (leak_alarm(3500.0, "flood", 2, 300.0), False),
        (leak_alarm(4999.0, "flood", None, 300.0), False),
        (leak_alarm(4999.0, "weep", 2, 1.0), False),
        (leak_alarm(5001.0, "weep", 2, 1.0), True),
    ],
)
def test_a_fill_does_away_with_what_was_called_in_the_quiet_before_it(alarm: Alarm, stays: bool):
    assert of_fill([alarm], 5000.0, 5000.0) == ([alarm] if stays else [])
