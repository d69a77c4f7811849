"""Which alarms the whole record bears out: each way of taking one back, on made records."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch import balance, standing
from soakmon.watch.mass_log import MassLog
from soakmon.watch.standing import fed_until_s
from soakmon.watch.tally import Tally
from soakmon.watch.verdict import Alarm, Band, leak_alarm

DROP_G, HOURS = 0.01, 10
MASS = np.zeros((1, 1))


def record_of(
    alarm: Alarm, *, drops_per_h: float = 0.0, lost_g_per_h: float = 0.0, expected_g: float = 0.0,
    soak_h: float = 0.0, down_g: float = 0.0,
) -> SimpleNamespace:  # fmt: skip
    """Ten hours in which gate 1 counts and the bottle loses, each evenly from the start.

    soak_h: since when the mass is weighed; down_g: steps down that were taken out.
    """
    tally, masses = Tally(1), MassLog()
    for minute in range(60 * HOURS + 1):
        masses.add(60.0 * minute, 500.0 - lost_g_per_h * minute / 60, 0.0)
    for n in range(round(drops_per_h * HOURS)):
        tally.add(0, (n + 0.5) * 3600.0 / drops_per_h, 1, 10.0)
    band = Band(expected_g, expected_g, expected_g)
    lost_g = lost_g_per_h * (HOURS - soak_h)
    curve = SimpleNamespace(expected=lambda: band, observed_g=lambda: lost_g)
    return SimpleNamespace(
        alarms=(alarm,), tally=tally, masses=masses, curve=curve, empty_s=math.nan,
        soak_s=3600.0 * soak_h, last_row_s=3600.0 * HOURS,
        follower=SimpleNamespace(steps=SimpleNamespace(down_g=down_g)),
    )  # fmt: skip


def weep_of(*, with_mass: float = 0.0, by_drops: float = 0.0, unseen: float = 0.0):
    return SimpleNamespace(
        drop_g=[DROP_G],
        gates=[SimpleNamespace(start_s=0.0)],
        fed_s=3600.0 * HOURS,
        under_gate=lambda _gate, mass: (by_drops if mass is None else with_mass, None),
        unseen=lambda mass: unseen if mass is MASS else -math.inf,
    )


def stands(record: SimpleNamespace, weep: SimpleNamespace) -> bool:
    alarms, faults = standing.standing(record, weep, MASS)
    assert len(alarms) + len(faults) == 1
    assert alarms == (list(record.alarms) if alarms else [])
    return bool(alarms)


def mass_says(monkeypatch, *, of_losing: float = 1.0, of_none: float = 1.0, balance_p: float = 1.0):
    monkeypatch.setattr(standing, "chance_of_losing", lambda _weep, _g: of_losing)
    monkeypatch.setattr(standing, "chance_of_none", lambda _weep: of_none)
    monkeypatch.setattr(balance, "chance_of_so_much", lambda _record, _weep: balance_p)
    monkeypatch.setattr(balance, "contradicts", lambda _record, _weep, _mass: False)
    monkeypatch.setattr(balance, "possible", lambda _record, _weep, mass: mass)


WEEP_1 = leak_alarm(3600.0, "weep", 1, 0.5)
UNSEEN = leak_alarm(3600.0, "weep", None, 0.5)


@pytest.mark.parametrize(("against", "of_losing", "kept"), [
    (4.9, 0.001, True),  # the mass does not speak against it
    (5.1, 0.02, True),  # it does, but may have lost what dripped
    (5.1, 0.009, False),
])  # fmt: skip
def test_an_alarm_at_a_gate_takes_both_to_be_taken_back(monkeypatch, against, of_losing, kept):
    mass_says(monkeypatch, of_losing=of_losing)
    record = record_of(WEEP_1, drops_per_h=50.0)
    assert stands(record, weep_of(with_mass=-against)) == kept


def test_it_is_asked_whether_the_bottle_can_have_lost_what_dripped(monkeypatch):
    """No more than was counted at the alarm and twice the told rate later: of 10 g here 0.5 + 9."""
    asked: list[float] = []

    def surely(_weep: object, grams: float) -> float:
        asked.append(grams)
        return 1.0

    mass_says(monkeypatch)
    monkeypatch.setattr(standing, "chance_of_losing", surely)
    stands(record_of(WEEP_1, drops_per_h=100.0), weep_of(with_mass=-9.0))
    stands(record_of(WEEP_1, drops_per_h=20.0), weep_of(with_mass=-9.0))
    stands(record_of(leak_alarm(3600.0, "weep", 1, 0.05), drops_per_h=100.0), weep_of(with_mass=-9))
    assert asked == pytest.approx([10.0, 2.0, 1.0 + 9 * 0.1], abs=0.02)


def test_where_the_bottle_plainly_lost_it_the_counts_are_drops(monkeypatch):
    mass_says(monkeypatch, of_losing=0.0)
    weep = weep_of(with_mass=-50.0)
    for beyond_g, kept in ((2.6, True), (2.4, False)):
        record = record_of(
            WEEP_1, drops_per_h=50.0, lost_g_per_h=0.1 * (1 + beyond_g), expected_g=1.0
        )
        assert stands(record, weep) == kept


@pytest.mark.parametrize(("unseen", "none", "balance_p", "kept"), [
    (0.1, 1.0, 1.0, True),
    (-0.1, 0.009, 1.0, True),
    (-0.1, 1.0, 0.009, True),
    (-0.1, 0.011, 0.011, False),
])  # fmt: skip
def test_an_alarm_of_the_mass_goes_when_nothing_speaks_for_a_leak(
    monkeypatch, unseen, none, balance_p, kept
):
    mass_says(monkeypatch, of_none=none, balance_p=balance_p)
    assert stands(record_of(UNSEEN), weep_of(unseen=unseen)) == kept


def test_an_alarm_of_the_mass_goes_where_the_bottle_lost_too_little_for_it(monkeypatch):
    mass_says(monkeypatch, of_none=0.0)
    monkeypatch.setattr(balance, "contradicts", lambda *_: True)
    assert not stands(record_of(UNSEEN), weep_of(unseen=9.0))


def test_what_is_taken_back_is_a_fault_of_what_made_it(monkeypatch):
    mass_says(monkeypatch, of_losing=0.0)
    for alarm, kind, told in ((WEEP_1, "gate_noise", "gate 1"), (UNSEEN, "bump", "reversed")):
        (fault,) = standing.standing(record_of(alarm), weep_of(with_mass=-9, unseen=-1), MASS)[1]
        assert (fault.t_s, fault.kind) == (3600.0, kind)
        assert told in fault.text


@pytest.mark.parametrize(("lost_g", "kept"), [(0.9, False), (1.1, True), (-1.1, True)])
def test_a_flood_after_which_the_bottle_weighs_the_same_was_none(lost_g, kept):
    """Somebody took a weight off and put it back. Weighed from 5 min before to an hour after."""
    record = record_of(leak_alarm(3600.0, "flood", None, 100.0), lost_g_per_h=lost_g * 60 / 65)
    assert stands(record, weep_of()) == kept


@pytest.mark.parametrize(("drops_per_h", "kept"), [(30.0, True), (70.0, True), (110.0, False)])
def test_a_storm_of_drops_that_the_bottle_did_not_lose_was_none(drops_per_h, kept):
    """In nine hours the bottle lost 1.8 g, and 1 g its zero may hide: 30 % of 9.3 g at most."""
    record = record_of(leak_alarm(3600.0, "flood", 1, 1.0), drops_per_h=drops_per_h)
    for minute, t_s in enumerate(record.masses.times_s):
        # Lost at once, so that it is no mere shift either.
        record.masses.masses_g[minute] = 500.0 - 1.8 * (t_s > 3600.0)
    assert stands(record, weep_of()) == kept


def test_of_a_storm_of_few_grams_and_without_a_mass_nothing_is_taken_back():
    few = record_of(leak_alarm(3600.0, "flood", 1, 1.0), drops_per_h=32.0, lost_g_per_h=1.0)
    few.masses.masses_g[:] = [500.0 - 1.1 * (t_s > 3500.0) for t_s in few.masses.times_s]
    assert stands(few, weep_of())
    blind = record_of(leak_alarm(3600.0, "flood", 1, 1.0), drops_per_h=500.0)
    blind.masses = MassLog()
    assert stands(blind, weep_of())


def test_the_rack_was_fed_until_the_soak_ended_or_the_feed_was_shut_or_the_bottle_dry():
    record, weep = record_of(UNSEEN), weep_of()
    assert fed_until_s(record, weep) == 36_000.0
    record.empty_s = 30_000.0
    assert fed_until_s(record, weep) == 30_000.0
    record.tally.shut_s, record.tally.shut_until_s = 20_000.0, 36_000.0
    assert fed_until_s(record, weep) == 20_000.0
    # Opened again since: shut for a while in between.
    record.tally.shut_until_s = 25_000.0
    assert fed_until_s(record, weep) == 30_000.0


def test_a_mass_that_is_weighed_anew_speaks_of_the_time_since(monkeypatch):
    """Ten hours of drops, of which the bottle is asked for the last three."""
    mass_says(monkeypatch, of_losing=0.0)
    alarm = leak_alarm(600.0, "weep", 1, 1.0)
    record = record_of(alarm, drops_per_h=100.0, lost_g_per_h=1.0, soak_h=7.0)
    assert stands(record, weep_of(with_mass=0.0, by_drops=50.0))
    dry = record_of(alarm, drops_per_h=100.0, lost_g_per_h=0.1, soak_h=7.0)
    assert not stands(dry, weep_of(with_mass=0.0, by_drops=50.0))


def test_steps_down_that_were_taken_for_hands_may_have_fed_the_drip(monkeypatch):
    mass_says(monkeypatch, of_losing=0.0)
    alarm = leak_alarm(600.0, "weep", 1, 1.0)
    fed = record_of(alarm, drops_per_h=100.0, lost_g_per_h=0.1, down_g=9.0)
    assert stands(fed, weep_of(with_mass=0.0, by_drops=50.0))
    record = record_of(alarm, drops_per_h=100.0, lost_g_per_h=0.1, down_g=1.0)
    assert not stands(record, weep_of(with_mass=0.0, by_drops=50.0))


@pytest.mark.parametrize(("until_h", "kept"), [(1.0, False), (7.5, True)])
def test_counts_that_have_ended_weigh_what_went_while_they_came(monkeypatch, until_h, kept):
    """Ten grams of counts, while the bottle loses ten grams evenly in all."""
    mass_says(monkeypatch)
    record = record_of(WEEP_1, lost_g_per_h=1.0)
    for n in range(1000):
        record.tally.add(0, (n + 0.5) * 3.6 * until_h, 1, 1.0)
    assert stands(record, weep_of()) == kept


def test_counts_that_go_on_are_not_held_against_the_minutes_in_which_they_came(monkeypatch):
    mass_says(monkeypatch)
    record = record_of(WEEP_1)
    for n in range(1000):
        record.tally.add(0, 9.5 * 3600 + n, 1, 1.0)
    assert stands(record, weep_of())
