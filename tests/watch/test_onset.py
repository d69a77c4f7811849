"""Since when a leak has leaked, as a bracket: by the mass, and by drops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soakmon.watch.conclude import conclude
from soakmon.watch.decide import watched
from soakmon.watch.record import RunRecord
from soakmon.watch.settings import Settings, described
from tests.watch.nights import DROP_G, night
from tests.watch.test_filling import filled

BLANKED = Settings(priors=described(1.0, 0.1))


def soaked(leak_g_per_h: float, onset_h: float, *, seed: int = 5) -> RunRecord:
    """A night after its fill and a blank run, with a leak that no gate sees."""
    rows = night(seed, leak_g_per_h=leak_g_per_h, onset_h=onset_h)
    return watched(filled(rows, begins_s=600.0, g_per_min=60.0), BLANKED)


@pytest.mark.parametrize("seed", range(5, 9))
def test_a_loss_that_begins_at_noon_is_dated_where_its_pace_changes(seed):
    """A tight bench may lose so much more some hours than others, but one is known to leak."""
    record = soaked(0.85, 10.0, seed=seed)
    (leak,) = conclude(record).leaks
    began_s = record.soak_s - 1800 + 10 * 3600
    low, high = leak.since_s
    assert low - 3600 < began_s < high + 3600
    assert high - low < 3 * 3600
    assert leak.leak_g_per_h.low < 0.85 < leak.leak_g_per_h.high


def test_a_loss_from_the_first_reading_on_may_have_begun_with_the_fill():
    record = soaked(0.5, 0.0)
    (leak,) = conclude(record).leaks
    low, high = leak.since_s
    assert 420.0 <= low <= 660.0
    assert record.soak_s < high < 4 * 3600


def test_the_fill_begins_when_the_first_fuel_leaves_the_bottle():
    for pace in (1.0, 6.0, 60.0):
        made = watched(filled(night(1, hours=4), begins_s=1500.0, g_per_min=pace), Settings())
        assert 1500.0 - 360.0 <= made.filled_s <= 1500.0 + 60.0


@pytest.mark.parametrize(("g_per_h", "from_the_fill"), [(0.05, True), (0.6, False)])
def test_what_dries_as_fast_as_it_drips_may_have_leaked_long_before_its_first_drop(
    g_per_h, from_the_fill
):
    rows = filled(night(2), begins_s=600.0, g_per_min=60.0)
    drops = rows.drops.copy()
    first_s = 6 * 3600.0
    at_s = np.arange(first_s, rows.t_s[-1], 3600 * DROP_G / g_per_h)
    drops[np.searchsorted(rows.t_s, at_s), 2] = 1.0
    leaked = np.cumsum(drops[:, 2]) * DROP_G
    made = watched(replace(rows, drops=drops, mass_g=rows.mass_g - leaked), BLANKED)
    (leak,) = conclude(made).leaks
    assert leak.carb == 3
    assert leak.since_s[1] == pytest.approx(first_s, abs=1800)
    assert (leak.since_s[0] == made.filled_s) == from_the_fill


def test_a_count_that_stood_alone_hours_before_is_no_beginning():
    """A dark count at half past the first hour; drips of 24 g a day from the fourth on."""
    rows = filled(night(2, spacing_s=2.0), begins_s=600.0, g_per_min=60.0)
    begins_s = 4 * 3600.0
    drops = rows.drops.copy()
    at_s = np.arange(begins_s, rows.t_s[-1], 3600 * DROP_G)
    drops[np.searchsorted(rows.t_s, at_s), 0] = 1.0
    leaked = np.cumsum(drops[:, 0]) * DROP_G
    drops[np.searchsorted(rows.t_s, 2000.0), 0] = 1.0
    made = watched(replace(rows, drops=drops, mass_g=rows.mass_g - leaked), Settings())
    (leak,) = conclude(made).leaks
    assert leak.leak_g_per_h.low < 1.0 < leak.leak_g_per_h.high
    assert leak.leak_g_per_h.best == pytest.approx(1.0, rel=0.1)
    assert leak.since_s[0] <= begins_s - 60 <= leak.since_s[1] + 120
