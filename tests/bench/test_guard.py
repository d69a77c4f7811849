"""The guard's limits, each by itself."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.bench.guard import Guard, Sample, Trip
from soakmon.hardware_config import GuardSection

LIMITS = GuardSection()


def watch(samples, *, filled: bool = True) -> list[Trip]:
    guard = Guard(LIMITS, rack_g=125.0)
    if filled:
        guard.already_filled()
    return [trip for sample in samples for trip in guard.step(sample)]


def feed(mass_of, *, seconds: float, drops=lambda t_s: (0, 0, 0, 0), **more):
    for t_s in np.arange(0, seconds, 0.5):
        yield Sample(float(t_s), mass_of(float(t_s)), drops(float(t_s)), True, **more)


def test_a_quiet_bench_trips_nothing():
    assert not watch(feed(lambda t: 300 - t * 1e-4, seconds=3600))


def test_spikes_trip_nothing():
    rng = np.random.default_rng(1)

    def spiky(t_s):
        return 300 + rng.normal(0, 0.05) + (rng.choice([-250, 800]) if rng.random() < 0.01 else 0)

    assert not watch(feed(spiky, seconds=3600))


def test_a_flow_trips_within_the_minute():
    trips = watch(feed(lambda t: 300 - max(t - 100, 0) * 0.1, seconds=300))
    assert trips[0].kind == "flood"
    assert 100 < trips[0].t_s < 165


def test_too_much_in_all_trips():
    trips = watch(feed(lambda t: 300 - t * 0.02, seconds=3600))
    assert [trip.text[:9] for trip in trips] == ["more has "]
    assert trips[0].t_s == pytest.approx(60 / 0.02, rel=0.02)


def test_a_storm_of_drops_trips_and_names_the_carb():
    trips = watch(feed(lambda t: 300.0, seconds=60, drops=lambda t: (0, 0, int(t > 30), 0)))
    assert (trips[0].kind, trips[0].carb) == ("flood", 3)
    assert 30 < trips[0].t_s < 36


def test_counts_on_all_gates_at_once_are_no_flood():
    assert not watch(feed(lambda t: 300.0, seconds=60, drops=lambda t: (1, 1, 1, 1)))


def test_a_blind_cell_trips_after_its_time():
    trips = watch(feed(lambda t: 300.0 if t < 50 else None, seconds=400))
    assert trips[0].kind == "bench"
    assert trips[0].t_s == pytest.approx(50 + LIMITS.blind_s, abs=2)


def test_filling_may_take_the_rack_and_no_more():
    def fill(t_s):
        return 300 - min(2.0 * t_s, 125) - max(t_s - 600, 0) * 1e-4

    assert not watch(feed(fill, seconds=3600), filled=False)
    trips = watch(feed(lambda t: 300 - min(2.0 * t, 250), seconds=600), filled=False)
    assert "filling does not end" in trips[0].text
    assert trips[0].t_s == pytest.approx((125 + LIMITS.fill_g_over) / 2, abs=4)


def test_vapour_trips_at_once_and_whatever_the_feed():
    for feed_open in (True, False):
        guard = Guard(LIMITS, 125.0)
        trips = guard.step(Sample(1.0, 300.0, (), feed_open, vapour=True))
        assert trips[0].kind == "vapour"
        assert not guard.step(Sample(2.0, 300.0, (), feed_open, vapour=True))


@pytest.mark.parametrize(("g_per_s", "trips_expected"), [(0.0, 0), (0.05, 1)])
def test_a_valve_that_does_not_shut_is_an_alarm_of_its_own(g_per_s, trips_expected):
    guard = Guard(LIMITS, 125.0)
    guard.already_filled()
    trips = []
    for t_s in np.arange(0, 200, 0.5):
        mass = 300 - g_per_s * max(t_s - 50, 0)
        trips += guard.step(Sample(float(t_s), mass, (0,), t_s < 50))
    assert len(trips) == trips_expected
    if trips:
        assert trips[0].code == "valve_failed"
        assert "valve does not stop" in trips[0].text
        assert trips[0].t_s < 50 + 30 + 60


def test_a_broken_limit_is_a_level_and_news_only_once():
    guard = Guard(GuardSection(), 160.0)
    told = [guard.step(Sample(t, 300.0, (0,), False, True)) for t in (1.0, 2.0)]
    assert [len(trips) for trips in told] == [1, 0]
    assert [trip.code for trip in guard.must_be_shut] == ["vapour"]
    guard.step(Sample(3.0, 300.0, (0,), False, False))
    assert guard.must_be_shut == ()
