"""What a frozen cell repeats is no curve of a rack that loses nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soakmon.records.readable import blind_stretches, readable
from soakmon.watch.decide import decide
from tests.watch.nights import BENCH, night


def test_what_a_frozen_cell_repeats_is_not_shown():
    rows = night(4)
    mass_g = rows.mass_g.copy()
    half, most = len(mass_g) // 2, 3 * len(mass_g) // 4
    mass_g[half:most] = mass_g[half]
    decision = decide(replace(rows, mass_g=mass_g), BENCH, phase="soaking")
    curve, faults = decision.curve, decision.verdict.faults
    assert np.isfinite(curve.mass_loss_g[curve.t_s > rows.t_s[half]]).all()
    shown = readable(curve, faults)
    [(from_s, to_s)] = blind_stretches(shown.t_s, shown.mass_loss_g)
    # To the minute of an averaging step or two.
    assert abs(from_s - rows.t_s[half]) < 180
    assert abs(to_s - rows.t_s[most]) < 180
    outside = (curve.t_s < from_s) | (curve.t_s > to_s)
    assert (shown.mass_loss_g[outside] == curve.mass_loss_g[outside]).all()


def test_a_cell_that_reads_in_coarse_steps_keeps_its_curve():
    curve = decide(night(4), BENCH, phase="soaking").curve
    steps = replace(curve, mass_loss_g=np.round(curve.mass_loss_g, 0))
    assert readable(steps, ()) is steps
    assert blind_stretches(steps.t_s, steps.mass_loss_g) == []


def test_a_gap_without_points_and_one_without_readings_are_blind():
    t_s = np.array([0.0, 60, 120, 4000, 4060, 4120, 8000])
    values = np.array([0.0, 1, 1, 2, 2, np.nan, np.nan])
    assert blind_stretches(np.arange(0, 3600, 60.0), np.ones(60)) == []
    assert blind_stretches(t_s, values) == [(120.0, 4000.0), (4060.0, 8000.0)]
    dense = np.concatenate([np.arange(0, 3600, 60.0), np.arange(9000, 9600, 60.0)])
    assert blind_stretches(dense, np.ones(len(dense))) == [(3540.0, 9000.0)]
    assert blind_stretches(t_s, np.full(7, np.nan)) == []
