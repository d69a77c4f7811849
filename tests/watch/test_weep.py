"""What is believed of a leak before its drops have told."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch.settings import Settings
from soakmon.watch.weep import GATE_PRIOR, LEAKS, RATE_PRIOR, Weep

DAY_S = 86400.0


def test_rates_have_a_chance_of_one():
    assert RATE_PRIOR.sum() == pytest.approx(1.0)
    assert GATE_PRIOR.sum() == pytest.approx(1.0)
    assert np.all(np.diff(GATE_PRIOR) < 0)


def test_a_first_drop_falls_some_time():
    weep = Weep(Settings(), 0.0, 4, 0.0)
    t_s = np.linspace(0.0, 5 * DAY_S, 400_000)
    # Of a leak from the start at any time; of a later one, even over the day.
    density = weep._first_drop_per_s(t_s, weep.drop_g[0]) - 0.5 / DAY_S
    slow = LEAKS > 0.1 / 24
    chance = np.trapezoid(density[:, slow], t_s, axis=0)
    assert chance == pytest.approx(np.full(slow.sum(), 0.5), abs=0.01)


def test_a_slow_leak_that_drips_late_is_as_believable_as_a_fast_one_at_once():
    weep = Weep(Settings(), 0.0, 4, 0.0)
    hour, early = weep._first_drop_per_s(np.array([5 * 3600.0, 600.0]), weep.drop_g[0])
    slow, fast = np.argmin(np.abs(LEAKS - 0.1 / 24)), np.argmin(np.abs(LEAKS - 10 / 24))
    assert hour[slow] > 1.8 * hour[fast]
    assert early[fast] > 3 * early[slow]


def test_what_was_counted_before_the_mass_was_weighed_is_no_likelier_a_drop_for_it():
    """Hours pass between the fill and the weighing that begins anew: a bowl has filled late."""
    anew = Weep(Settings(), 27_600.0, 1, 300.0)
    anew.count_from(960.0)
    at_once = Weep(Settings(), 960.0, 1, 300.0)
    times = np.array([1000.0, 1800.0, 3360.0, 26_640.0])
    density = anew._first_drop_per_s(times, anew.drop_g[0])
    assert density == pytest.approx(at_once._first_drop_per_s(times, at_once.drop_g[0]))
