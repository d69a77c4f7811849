"""What the record of a soak says of a leak's cause, on made records."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch import evidence as module
from soakmon.watch.evidence import evidence, shift
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.tally import Tally
from soakmon.watch.verdict import Band, Cause

DROP_G, FILLED_S, SOAK_H = 0.01, 1800.0, 10
ONE_G_PER_H = Band(1.0, 0.8, 1.2)


def leak(carb: int | None = 1, rate: Band = ONE_G_PER_H, **changed) -> LocatedLeak:
    made = LocatedLeak(carb, 2 * 3600.0, rate, False, dripped_g_per_h=rate.best, fed_h=SOAK_H)
    return replace(made, **changed)


def finder(*, found: bool) -> SimpleNamespace:
    return SimpleNamespace(fill=SimpleNamespace(found=found, ended_s=FILLED_S))


def record_of(drops_s: Sequence[float] = (), **changed) -> SimpleNamespace:
    tally = Tally(2)
    tally.rows_seen = 36_000
    for t_s in drops_s:
        tally.add(0, t_s, 1, 1.0)
    made = {
        "start_s": 0.0,
        "last_row_s": 36_000.0,
        "empty_s": math.nan,
        "tally": tally,
        "weep": SimpleNamespace(drop_g=[DROP_G, DROP_G], fed_s=36_000.0),
        "finder": finder(found=True),
        "curve": SimpleNamespace(bowl_needs=lambda: (np.arange(2) * 36_000.0, np.zeros(2))),
        "evaporation": SimpleNamespace(bowl_g_per_h=0.02),
        "settings": SimpleNamespace(hose_g=6.0, cause_shift={1: {Cause.NEEDLE_WEEP: 3.0}}),
    }
    return SimpleNamespace(**(made | changed))


@pytest.fixture(autouse=True)
def _what_the_mass_lost(monkeypatch):
    monkeypatch.setattr(module, "mass_log_weight", lambda *_: None)
    monkeypatch.setattr(module, "leak_given_leaking", lambda _: Band(2.0, 1.2, 2.8))
    monkeypatch.setattr(module, "rise_at", lambda *_: 3.3)


def every(seconds: float, from_s: float, until_s: float) -> list[float]:
    return np.arange(from_s, until_s, seconds).tolist()


def test_a_leak_by_itself_is_as_large_as_it_was_found():
    one = leak()
    seen = evidence(record_of(), one, [one])
    assert (seen.carb, seen.rate_g_per_h, seen.rise_g, seen.ended) == (1, 1.0, 3.3, False)
    # Fed for eight hours since.
    assert seen.lost_g == pytest.approx(8.0)


def test_several_leaks_share_the_largest_by_what_dripped():
    """The mass sees their sum: each has the share that its drops have."""
    first, second = leak(1, dripped_g_per_h=0.3), leak(2, Band(2.0, 1.0, 3.0), dripped_g_per_h=0.9)
    rates = [evidence(record_of(), one, [first, second]).rate_g_per_h for one in (first, second)]
    assert rates == pytest.approx([0.5, 1.5])
    unseen = leak(None, dripped_g_per_h=0.0)
    assert evidence(record_of(), unseen, [unseen, unseen]).rate_g_per_h == 1.0


def test_what_was_caught_over_what_the_mass_lost():
    one = leak(dripped_g_per_h=1.5)
    seen = evidence(record_of(), one, [one])
    # 95 % of 1.2 to 2.8 g/h is four sd of 0.4.
    assert (seen.caught, seen.caught_sd) == (pytest.approx(0.75), pytest.approx(0.2))


@pytest.mark.parametrize(
    "one", [leak(until_s=20_000.0), leak(dripped_g_per_h=26.0, rate=Band(26.0, 20.0, 30.0))]
)
def test_of_a_flood_and_of_what_stopped_the_share_caught_says_nothing(one):
    seen = evidence(record_of(), one, [one])
    assert (seen.caught, seen.caught_sd) == (1.0, math.inf)


def test_the_first_drop_had_to_gather():
    """Two hours on the clock, half an hour until the fill ended, and two drops of 36 s each."""
    one = leak()
    assert evidence(record_of(), one, [one]).delay_h == pytest.approx(2.0 - 0.5 - 2 * DROP_G)
    led = leak(mass_led=True)
    assert evidence(record_of(), led, [led]).delay_h == pytest.approx(1.5)
    at_once = leak(onset_s=FILLED_S + 30.0)
    assert evidence(record_of(), at_once, [at_once]).delay_h == 0.0


def test_without_a_fill_the_clock_is_the_records():
    one = leak(mass_led=True)
    record = record_of(finder=finder(found=False))
    assert evidence(record, one, [one]).delay_h == pytest.approx(2.0)


def test_only_a_place_that_a_gate_sees_has_a_record_of_its_own():
    record = record_of()
    assert shift(record, 1) == {Cause.NEEDLE_WEEP: 3.0}
    assert shift(record, 2) == shift(record, None) == {}


def shut(record: SimpleNamespace, from_s: float, until_s: float) -> SimpleNamespace:
    record.tally.shut_s, record.tally.shut_until_s = from_s, until_s
    record.tally.shut_h = (until_s - from_s) / 3600
    return record


def test_what_drips_on_with_the_feed_shut_is_counted_in_four_parts():
    drops = [*every(36.0, 7218.0, 18_000.0), 18_500.0, 18_900.0, 24_000.0]
    one = leak()
    seen = evidence(shut(record_of(drops), 18_000.0, 25_200.0), one, [one]).shut
    assert seen is not None
    # Of the thirty before it, the first begins the time in which the others fell.
    assert (seen.drops_before, seen.hours_before) == (29, pytest.approx(29 * 36.0 / 3600))
    assert seen.hours == pytest.approx(2.0)
    assert seen.parts == (2, 0, 0, 1)


@pytest.mark.parametrize(
    ("drops", "until_s"),
    [
        (every(36.0, 7218.0, 18_000.0), 18_180.0),  # shut for three minutes
        ([17_000.0], 25_200.0),  # one drop before it
        ([], 25_200.0),
    ],
)
def test_a_short_while_and_a_lone_drop_tell_nothing(drops, until_s):
    one = leak()
    assert evidence(shut(record_of(drops), 18_000.0, until_s), one, [one]).shut is None


def test_the_first_drops_of_a_flood_come_slower_than_it_goes_on():
    drops = [17_960.0, 17_970.0, 17_980.0, 17_986.0, 17_992.0, 17_998.0]
    one = leak(onset_s=17_990.0)
    seen = evidence(shut(record_of(drops), 18_000.0, 25_200.0), one, [one]).shut
    assert seen is not None
    assert (seen.drops_before, seen.hours_before * 3600) == (2, pytest.approx(12.0))


@pytest.mark.parametrize(
    ("lost_g", "shut_h", "loses"), [(1.1, 2.0, True), (0.9, 2.0, False), (9.0, 0.14, False)]
)
def test_the_bottle_loses_while_shut_when_half_of_the_leak_goes_on(lost_g, shut_h, loses):
    one, record = leak(), record_of()
    record.tally.shut_loss_g, record.tally.shut_h = lost_g, shut_h
    assert evidence(record, one, [one]).lost_while_shut == loses


def test_drops_that_beat_against_the_rows_tell_no_breath():
    """Of a second each, from the onset until the feed was shut."""
    one = leak()
    assert evidence(record_of(every(9.0, 7218.0, 18_000.0)), one, [one]).drip is None
    seen = evidence(record_of(every(36.0, 7218.0, 18_000.0)), one, [one])
    assert seen.drip is not None
    assert evidence(record_of([8000.0]), one, [one]).drip is None
    unseen = leak(None)
    assert evidence(record_of(every(36.0, 7218.0, 18_000.0)), unseen, [unseen]).drip is None


def test_what_ended_is_told_with_what_it_let_out():
    one = leak(until_s=3 * 3600.0)
    seen = evidence(record_of(), one, [one])
    assert seen.ended
    assert seen.lost_g == pytest.approx(1.0)
