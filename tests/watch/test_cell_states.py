"""What is believed of a cell before any reading."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch import cell_states as states
from soakmon.watch.cell_states import BANK, CELLS, DECAYS, SIZE, ZEROS, sd_at_start


def test_kinds_of_cell_and_of_zero_are_each_a_chance_of_one():
    assert sum(cell[-1] for cell in CELLS) == pytest.approx(1.0)
    assert sum(weight for _, weight in ZEROS) == pytest.approx(1.0)
    assert len(CELLS) * len(ZEROS) == BANK


def test_creep_goes_by_18_minutes_and_a_converter_warms_up_in_six():
    assert DECAYS[states.CREEP] * 60 == 18.0
    assert DECAYS[states.WARM_UP] * 60 == pytest.approx(6.0)
    assert DECAYS[states.CREEP_60] * 60 == 60.0


def test_every_state_has_a_place_of_its_own_and_none_is_left_out():
    names = "OFFSET SLACK WANDER WARM_UP CREEP CREEP_60 RATE TEMP TEMP_20 TEMP_60 TEMP_180"
    places = [getattr(states, name) for name in [*names.split(), "TOP_UP", "HELD"]]
    assert sorted(places) == list(range(SIZE))


def test_the_start_is_unknown_and_a_zero_shares_its_lags():
    wander, zero = np.linspace(0.0, 0.4, BANK), np.linspace(0.05, 0.35, BANK)
    sd = sd_at_start(wander, zero, 0.2)
    assert sd.shape == (BANK, SIZE)
    assert np.all(sd[:, states.OFFSET] == 30.0)
    assert sd[:, states.WANDER] == pytest.approx(wander)
    lags = sd[:, [states.TEMP, states.TEMP_20, states.TEMP_60, states.TEMP_180]]
    # Four lags of half each: together, as independent, as much as the zero itself.
    assert np.sqrt((lags**2).sum(axis=1)) == pytest.approx(zero)


def test_what_cold_draws_is_surer_where_the_bench_is_known():
    known, unknown = (sd_at_start(np.zeros(BANK), np.zeros(BANK), rel) for rel in (0.1, 0.35))
    for state, sds in ((states.TOP_UP, 2.5), (states.HELD, 1.5), (states.RATE, 1.0)):
        assert known[:, state] == pytest.approx(np.full(BANK, 0.1 * sds))
        assert unknown[:, state] == pytest.approx(np.full(BANK, 0.35 * sds))
    assert np.all(known[:, states.CREEP] == 0.15)
    assert np.all(known[:, states.SLACK] == 0.05)
