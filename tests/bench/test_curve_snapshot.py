"""The curve that is kept with the end of a soak."""

from __future__ import annotations

import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench.curve_snapshot import MOST_POINTS, curve_snapshot, stored_snapshot
from tests.bench.stepping import Stepped, short
from tests.bench.test_resume import crashed_and_back

pytestmark = pytest.mark.long


def test_the_kept_curve_is_the_one_that_was_drawn(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(1.0), every_s=1.0)
    bench.start()
    bench.run(1.2)
    assert stored_snapshot(bench.journal, 1) is None
    bench.run(1.0)
    assert bench.session.ended
    found = stored_snapshot(bench.journal, 1)
    assert found == curve_snapshot(bench.session, MOST_POINTS)
    assert len(found.t_s) > 50
    assert len(found.lanes.drops) == len(found.lanes.caught_g) == 4
    low, high = found.reads_low_g, found.reads_high_g
    assert all(a <= loss <= b for a, loss, b in zip(low, found.mass_loss_g, high, strict=True))
    assert len(found.columns) == 8
    assert {len(column) for column in found.columns.values()} == {len(found.t_s)}
    assert stored_snapshot(bench.journal, 2) is None


def test_a_flood_while_the_bowls_fill_has_a_picture(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["needle-stuck-open"], bench=short(1.0), every_s=1.0)
    bench.start()
    bench.run(0.5)
    assert "flood" in {kind for kind, _ in bench.alarms()}
    found = curve_snapshot(bench.session, MOST_POINTS)
    assert set(found.as_data()) == {"t_s", "taken_g", "lanes"}
    assert found.taken_g[-1] > 50
    assert found.lanes.counted[2] > 50
    assert 0 < len(found.lanes.drops[2]) <= found.lanes.counted[2]


def test_who_has_the_beginning_is_given_the_rest(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["overflow-tube-crack"], bench=short(1.0), every_s=1.0)
    bench.start()
    bench.run(1.5)
    whole = curve_snapshot(bench.session, 2000)
    half_s = whole.t_s[len(whole.t_s) // 2]
    rest = curve_snapshot(bench.session, 2000, half_s)
    assert rest.columns.keys() == whole.columns.keys()
    place = whole.t_s.index(half_s) + 1
    assert rest.mass_loss_g == whole.mass_loss_g[place:]
    drops = whole.lanes.drops[0]
    assert rest.lanes.drops[0] == tuple(t_s for t_s in drops if t_s > half_s) != drops
    assert curve_snapshot(bench.session, 2000, 1e9).t_s == ()


def test_a_fill_that_was_interrupted_has_its_picture_from_the_beginning(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(3.0), every_s=1.0)
    bench.start()
    bench.run(0.04)
    assert bench.session.phase == "filling"
    again = crashed_and_back(tmp_path, bench, gap_s=30.0, boot="first boot")
    again.run(0.06)
    assert again.session.interruptions
    found = curve_snapshot(again.session, MOST_POINTS)
    assert found.t_s[0] < 120
    assert found.taken_g[-1] > 100
