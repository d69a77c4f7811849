"""The curve that is kept with the end of a soak."""

from __future__ import annotations

from sim.scenarios import SCENARIOS
from soakmon.bench.drawn import KEPT_POINTS, columns, kept
from tests.bench.stepping import Stepped, short


def test_the_kept_curve_is_the_one_that_was_drawn(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(1.0), every_s=1.0)
    bench.start()
    bench.run(1.2)
    assert kept(bench.journal, 1) is None
    bench.run(1.0)
    assert bench.session.ended
    found = kept(bench.journal, 1)
    assert found == columns(bench.session, KEPT_POINTS)
    assert len(found["t_s"]) > 50
    assert len({len(column) for column in found.values()}) == 1
    assert kept(bench.journal, 2) is None
