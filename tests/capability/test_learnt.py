"""A night or two of what `tests.learnt` measures: blind benches that learn from a small hall."""

from __future__ import annotations

import pytest

from soakmon.watch.verdict import Outcome
from tests.learnt_nights import ALONE, AMONG, OWN, Hall, HallNight, decided

FEW = 5
TIGHT = Outcome.TIGHT.value


def test_a_bench_without_soaks_finds_smaller_leaks_among_its_like():
    found = dict(decided(HallNight(Hall(3, True), 0, 0.0), (ALONE, AMONG, OWN), FEW))
    for way, result in found.items():
        assert not result.woken, way
        assert result.smallest_g_per_day is not None
        true, low, high = result.evaporated
        assert low <= true <= high, way
    assert found[AMONG].smallest_g_per_day < 0.95 * found[ALONE].smallest_g_per_day
    # The upper end alone has come down.
    assert found[AMONG].evaporated[2] < 0.9 * found[ALONE].evaporated[2]


@pytest.mark.parametrize("leak_g_per_day", [1.0, 4.0])
def test_a_leak_that_every_bench_of_the_hall_has_is_never_tight_for_it(leak_g_per_day):
    hall = Hall(3, True, 1.0)
    found = dict(decided(HallNight(hall, 500, leak_g_per_day), (ALONE, AMONG), FEW))
    alone, among = found[ALONE], found[AMONG]
    assert among.outcome != TIGHT or alone.outcome == TIGHT
    assert alone.outcome != Outcome.LEAKING.value or among.outcome == Outcome.LEAKING.value
    # What may have leaked is no less than it was without the others.
    assert among.rate[2] > 0.98 * alone.rate[2]
