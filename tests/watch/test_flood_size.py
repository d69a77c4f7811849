"""Floods: what the bottle lost is what they are said to have let out, and when they ended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.conclude import conclude
from soakmon.watch.decide import watched
from soakmon.watch.flood_size import flood
from soakmon.watch.settings import DESCRIBED, Settings
from soakmon.watch.standing import fed_until_s
from soakmon.watch.verdict import Outcome, leak_alarm
from tests.watch.nights import night
from tests.watch.test_leak_estimates import judged, with_leak


@pytest.mark.parametrize("spacing_s", [1.0, 10.0])
def test_a_flood_that_empties_the_bottle_is_told_in_full(spacing_s):
    """190 g in a quarter of an hour; what is left then stands still, and nobody has touched it."""
    rows = night(6, hours=20, spacing_s=spacing_s)
    rows = with_leak(rows, 2, 660.0, (18.0, 18.0 + 190 / 660), seen=0.6)
    verdict = judged(rows)
    (leak,) = verdict.leaks
    assert leak.carb == 2
    assert leak.lost_g == pytest.approx(190.0, rel=0.2)
    assert leak.until_s == pytest.approx(18.3 * 3600, abs=2400)
    assert [alarm.kind for alarm in verdict.alarms] == ["flood"]
    assert not [fault for fault in verdict.faults if "jumped" in fault.text]


def test_a_weight_taken_off_and_put_back_is_no_leak_that_lost_nothing():
    rows = night(7, hours=10, spacing_s=1.0)
    at_s = rows.t_s - 5 * 3600
    lifted_g = np.where((at_s > 0) & (at_s < 150), np.minimum(at_s, 116.0), 0.0)
    made = watched(
        replace(rows, mass_g=rows.mass_g - lifted_g), Settings(priors=DESCRIBED), phase="soaking"
    )
    assert [alarm.kind for alarm in made.alarms] == ["flood"]
    verdict = conclude(made)
    assert verdict.outcome is not Outcome.LEAKING
    assert not verdict.leaks


@pytest.mark.parametrize("g_per_h", [30.0, 60.0, 250.0])
def test_a_flood_that_ends_by_itself_has_ended_however_fast_it_was(g_per_h):
    """Its last minutes drop as fast as its first."""
    rows = with_leak(night(8, hours=9), 1, g_per_h, (0.0, 1.2))
    (leak,) = judged(rows).leaks
    assert leak.until_s == pytest.approx(1.2 * 3600, abs=600)
    assert leak.lost_g == pytest.approx(1.2 * g_per_h, rel=0.15)


@pytest.mark.parametrize("g_per_h", [1.0, 2.0, 4.0])
def test_what_was_told_as_a_flood_and_drips_is_as_large_as_it_drips(g_per_h):
    """A burst that the mass bears out for minutes, and the drip goes on as it did before."""
    rows = night(11, hours=12, leak_g_per_h=g_per_h, carb=2, onset_h=1.0)
    rows = with_leak(rows, 2, 60.0, (6.0, 6.03))
    verdict = judged(rows)
    (leak,) = verdict.leaks
    assert leak.carb == 2
    assert leak.leak_g_per_h.best == pytest.approx(g_per_h, rel=0.35)
    assert leak.leak_g_per_h.low < g_per_h * 1.1


def test_a_storm_that_the_hour_after_it_denies_is_no_larger_than_the_bottle_lost():
    record = watched(
        with_leak(night(12, hours=8), 3, 2.0, (1.0, 24.0)),
        Settings(priors=DESCRIBED),
        phase="soaking",
    )
    alarm = leak_alarm(1.5 * 3600, "flood", 3, 58.0)
    leak = flood(record, record.weep, alarm, fed_until_s(record, record.weep)).leak
    assert leak.best == pytest.approx(2.0, abs=0.8)
    assert leak.low <= 2.0 <= leak.high
