"""The guard's limits, each by itself."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.bench.guard import Code, Guard, Sample, Trip
from soakmon.hardware_config import GuardSection

LIMITS = GuardSection()
RACK_G = 125.0
SPACINGS_S = (0.1, 0.5, 3.0, 7.0, 20.0, 45.0, 60.0, 61.0, 90.0, 119.0)


def new_guard(*, filled: bool = True) -> Guard:
    guard = Guard(LIMITS, RACK_G)
    if filled:
        guard.already_filled()
    return guard


def watch(samples, *, filled: bool = True) -> list[Trip]:
    guard = new_guard(filled=filled)
    return [trip for sample in samples for trip in guard.step(sample)]


def samples(mass_of, *, seconds: float, drops=lambda t_s: (), feed=lambda t_s: True, **more):
    """Two samples a second; drops: at which gates one falls, exactly then."""
    for t_s in np.arange(0, seconds, 0.5):
        fell = drops(float(t_s))
        times = tuple((float(t_s),) if gate in fell else () for gate in range(4))
        yield Sample(float(t_s), mass_of(float(t_s)), times, feed(float(t_s)), **more)


def sparse(mass_of, every_s: float, *, seconds: float, feed_open: bool = True):
    """Samples each half second with a reading only every every_s."""
    due_s = 0.0
    for t_s in np.arange(0, seconds, min(0.5, every_s)):
        has = t_s >= due_s
        due_s += every_s if has else 0.0
        yield Sample(float(t_s), mass_of(float(t_s)) if has else None, (), feed_open)


def run(guard: Guard, found) -> list[Trip]:
    return [trip for sample in found for trip in guard.step(sample)]


def test_a_quiet_bench_trips_nothing():
    assert not watch(samples(lambda t: 300 - t * 1e-4, seconds=3600))


@pytest.mark.parametrize("every_s", [s for s in SPACINGS_S if s <= 60])
def test_spikes_trip_nothing_however_rare_the_readings(every_s):
    rng = np.random.default_rng(1)
    count = [0]

    def spiky(t_s):
        count[0] += 1
        spike = rng.choice([-250, 800]) if count[0] % 17 == 1 else 0
        return 300 + rng.normal(0, 0.02) + spike

    assert not watch(sparse(spiky, every_s, seconds=3600))


def test_a_first_reading_that_is_a_spike_is_not_what_the_rack_was_full_with():
    assert not watch(samples(lambda t: 300.0 if t else 380.0, seconds=120))


def test_a_flow_trips_within_the_minute():
    trips = watch(samples(lambda t: 300 - max(t - 100, 0) * 0.1, seconds=300))
    assert trips[0].code is Code.FAST
    assert trips[0].kind == "flood"
    assert 100 < trips[0].t_s < 125


@pytest.mark.parametrize("every_s", SPACINGS_S)
def test_no_spacing_of_readings_hides_a_flow(every_s):
    """Where the readings are too rare to judge by, the cell is blind."""
    trips = watch(sparse(lambda t: max(300 - t * 0.5, 0.0), every_s, seconds=600))
    assert trips[0].code is (Code.FAST if every_s <= 60 else Code.BLIND)
    assert trips[0].t_s < 250


def test_a_flood_is_a_level_until_somebody_opens_again():
    guard = new_guard()
    trips = run(guard, samples(lambda t: 300 - min(t, 30) * 0.5, seconds=600))
    assert [trip.code for trip in trips] == [Code.FAST]
    assert [trip.code for trip in guard.must_be_shut] == [Code.FAST]
    guard.step(Sample(601.0, 285.0, (), False))
    assert [trip.code for trip in guard.must_be_shut] == [Code.FAST]
    guard.step(Sample(602.0, 285.0, (), True))
    assert guard.must_be_shut == ()


def test_each_opening_has_its_own_news():
    """The second flood is news again, and what ran before it is not counted against it."""

    def mass(t_s):
        return 300 - 0.5 * min(t_s, 30) - 0.5 * min(max(t_s - 800, 0), 30)

    trips = watch(samples(mass, seconds=900, feed=lambda t: t < 20 or t >= 700))
    assert [trip.code for trip in trips] == [Code.FAST, Code.FAST]
    assert trips[1].t_s > 800


def test_each_opening_has_its_own_total():
    """Forty grams, shut and opened again by somebody, and forty more."""

    def mass(t_s):
        return 300 - 0.02 * (min(t_s, 2000) + max(t_s - 2060, 0))

    assert not watch(samples(mass, seconds=4000, feed=lambda t: not 2000 <= t < 2060))


def test_too_much_in_all_trips():
    trips = watch(samples(lambda t: 300 - t * 0.02, seconds=3600))
    assert [trip.code for trip in trips] == [Code.TOTAL]
    assert trips[0].t_s == pytest.approx(60 / 0.02, rel=0.02)


@pytest.mark.parametrize("pour_s", [1.0, 15.0, 60.0])
def test_a_refill_is_not_taken_for_fuel_that_never_left(pour_s):
    def mass(t_s):
        return 300 - t_s * 0.02 + 300 * min(max(t_s - 1000, 0) / pour_s, 1)

    trips = watch(samples(mass, seconds=3600))
    assert [trip.code for trip in trips] == [Code.TOTAL]
    assert trips[0].t_s == pytest.approx(60 / 0.02, abs=100)


def test_a_refill_between_two_rare_readings_is_one():
    trips = watch(sparse(lambda t: 300.0 + 300 * (t > 1000), 50.0, seconds=3600))
    assert not trips


def test_a_hand_that_rests_on_the_bottle_is_neither_refill_nor_flood():
    trips = watch(samples(lambda t: 300.0 + 50 * (600 < t < 800), seconds=1800))
    assert not trips


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("lasts_s", [1.0, 4.0, 9.0])
@pytest.mark.parametrize("push_g", [-2.0, -6.0, -290.0, 6.0])
def test_a_shove_that_comes_back_within_seconds_is_no_flood(push_g, lasts_s, every_s):
    def mass(t_s):
        return 300.0 - 1e-4 * t_s + push_g * (600 < t_s < 600 + lasts_s)

    assert not watch(sparse(mass, every_s, seconds=1200))


def test_what_does_not_come_back_after_a_shove_is_gone():
    trips = watch(samples(lambda t: 300.0 - 6.0 * (t > 600), seconds=700))
    assert [trip.code for trip in trips] == [Code.FAST]
    assert trips[0].t_s < 600 + 15


@pytest.mark.parametrize(("g_per_min", "within_s"), [(30, 9.0), (60, 7.5), (150, 7.0), (600, 7.0)])
def test_no_flood_hides_as_a_shove(g_per_min, within_s):
    trips = watch(samples(lambda t: 900 - max(t - 600, 0) * g_per_min / 60, seconds=660))
    assert trips[0].code is Code.FAST
    assert trips[0].t_s <= 600 + within_s


@pytest.mark.parametrize("g_per_s", [0.03, 0.5, 2.0])
def test_a_mass_that_rises_is_somebodys_business(g_per_s):
    trips = watch(samples(lambda t: 300 + max(t - 100, 0) * g_per_s, seconds=1200))
    assert [(trip.kind, trip.code) for trip in trips] == [("bench", Code.RISING)]
    assert trips[0].t_s < 100 + max(LIMITS.rise_g / g_per_s, 100) * 1.1


def test_a_rack_that_fills_upwards_has_its_cell_the_wrong_way():
    trips = watch(samples(lambda t: 300 + min(5.0 * t, 125), seconds=600), filled=False)
    assert [trip.code for trip in trips] == [Code.RISING]
    assert trips[0].t_s < 40


def test_a_shop_that_warms_up_lifts_nothing_that_matters():
    """Four grams an hour, of temperature, for three hours."""
    assert not watch(samples(lambda t: 300 + t * 4 / 3600, seconds=3 * 3600))


def test_a_storm_of_drops_trips_and_names_the_carb():
    trips = watch(samples(lambda t: 300.0, seconds=60, drops=lambda t: {2} if t > 30 else ()))
    assert (trips[0].kind, trips[0].carb) == ("flood", 3)
    assert 30 < trips[0].t_s < 36


def test_knocks_at_all_gates_at_once_are_no_flood():
    assert not watch(samples(lambda t: 300.0, seconds=60, drops=lambda t: {0, 1, 2, 3}))


@pytest.mark.parametrize(("gates", "per_s"), [(2, 1.0), (2, 8.0), (4, 3.0), (4, 8.0)])
def test_gates_that_overflow_together_are_a_storm_each(gates, per_s):
    rng = np.random.default_rng(5)
    falls = [np.cumsum(rng.exponential(1 / per_s, int(40 * per_s))) for _ in range(gates)]
    guard = new_guard()
    trips = []
    for t_s in np.arange(0.5, 30, 0.5):
        fell = tuple(tuple(f[(f > t_s - 0.5) & (f <= t_s)].tolist()) for f in falls)
        trips += guard.step(Sample(float(t_s), 300.0, fell, True))
    assert {trip.carb for trip in trips} == set(range(1, gates + 1))
    assert {trip.code for trip in trips} == {Code.STORM}


def test_a_blind_cell_trips_after_its_time_and_for_as_long():
    guard = new_guard()
    trips = run(guard, samples(lambda t: 300.0 if t < 50 else None, seconds=400))
    assert trips[0].kind == "bench"
    assert trips[0].t_s == pytest.approx(50 + LIMITS.blind_s, abs=2)
    guard.step(Sample(401.0, None, (), False))
    assert [trip.code for trip in guard.must_be_shut] == [Code.BLIND]
    run(guard, [Sample(402.0 + k, 300.0, (), False) for k in range(5)])
    assert guard.must_be_shut == ()


def test_a_blind_cell_with_the_feed_shut_is_no_news_but_nobody_may_open():
    guard = new_guard()
    assert not run(guard, samples(lambda t: None, seconds=400, feed=lambda t: False))
    assert [trip.code for trip in guard.must_be_shut] == [Code.BLIND]
    assert [trip.code for trip in guard.step(Sample(400.0, None, (), True))] == [Code.BLIND]


def test_a_bench_that_stood_still_has_no_blind_cell():
    guard = new_guard()
    run(guard, samples(lambda t: 300.0, seconds=60))
    late = [Sample(660.0 + t, 299.9, (), True) for t in np.arange(0.0, 200.0, 0.5)]
    assert not run(guard, late)


def test_filling_may_take_the_rack_and_no_more():
    def fill(t_s):
        return 300 - min(2.0 * t_s, 125) - max(t_s - 600, 0) * 1e-4

    assert not watch(samples(fill, seconds=3600), filled=False)
    trips = watch(samples(lambda t: 300 - min(2.0 * t, 250), seconds=600), filled=False)
    assert [trip.code for trip in trips] == [Code.FILLING]
    assert trips[0].t_s == pytest.approx((125 + LIMITS.fill_g_over) / 2, abs=4)


def test_each_opening_may_fill_anew():
    """Shut after 100 g and opened again: 100 g more are a rack that fills, not 200 g of flood."""

    def fill(t_s):
        return 400 - min(t_s, 100) - min(max(t_s - 300, 0), 100)

    assert not watch(samples(fill, seconds=420, feed=lambda t: t < 100 or t >= 300), filled=False)


def test_filling_is_over_after_an_hour_whatever_flows():
    """A leak of 1.2 g a minute never lets the filling end; from then on its total counts."""
    trips = watch(samples(lambda t: 400 - t * 0.02, seconds=7200), filled=False)
    assert [trip.code for trip in trips] == [Code.TOTAL]
    assert trips[0].t_s == pytest.approx(3600 + LIMITS.total_g / 0.02, rel=0.02)


def test_vapour_trips_at_once_and_for_as_long_whatever_the_feed():
    for feed_open in (True, False):
        guard = Guard(LIMITS, RACK_G)
        trips = guard.step(Sample(1.0, 300.0, (), feed_open, vapour=True))
        assert trips[0].kind == "vapour"
        assert not guard.step(Sample(2.0, 300.0, (), feed_open, vapour=True))
        assert [trip.code for trip in guard.must_be_shut] == [Code.VAPOUR]
        guard.step(Sample(3.0, 300.0, (), feed_open, vapour=False))
        assert guard.must_be_shut == ()


@pytest.mark.parametrize(("g_per_s", "trips_expected"), [(0.0, 0), (0.05, 1)])
def test_a_valve_that_does_not_shut_is_an_alarm_of_its_own(g_per_s, trips_expected):
    trips = watch(
        samples(lambda t: 300 - g_per_s * max(t - 50, 0), seconds=200, feed=lambda t: t < 50)
    )
    assert len(trips) == trips_expected
    if trips:
        assert trips[0].code == "valve_failed"
        assert "valve does not stop" in trips[0].text
        assert trips[0].t_s < 50 + 30 + 60


SEEPS = [(1800.0, 50.0), (180.0, 60.0), (30.0, 180.0), (10.0, 22 * 60.0), (6.0, 45 * 60.0)]


@pytest.mark.parametrize("begins_s", [0.0, 200.0, 5000.0])
@pytest.mark.parametrize(("g_per_h", "within_s"), SEEPS)
def test_a_shut_valve_that_lets_through_is_named_in_time(g_per_h, within_s, begins_s):
    """Whether it was ever open or not: idle, after a restart, or hours after the end."""
    rng = np.random.default_rng(3)

    def mass(t_s):
        return 900 - max(t_s - begins_s, 0) * g_per_h / 3600 + rng.normal(0, 0.03)

    seconds = begins_s + within_s + 40
    trips = watch(samples(mass, seconds=seconds, feed=lambda t: False))
    assert [trip.code for trip in trips] == [Code.VALVE_FAILED]
    assert trips[0].t_s <= max(begins_s, 30.0) + within_s


@pytest.mark.parametrize("every_s", [s for s in SPACINGS_S if s >= 3])
def test_no_spacing_hides_a_valve_that_lets_through(every_s):
    trips = watch(sparse(lambda t: 330 - t * 0.5, every_s, seconds=600, feed_open=False))
    assert [trip.code for trip in trips] == [Code.VALVE_FAILED]


def cooling(t_s):
    """Ten degrees in an hour, at 0.25 g a degree."""
    return -2.5 * (1 - np.exp(-t_s / 1800))


def off_and_lighter(t_s):
    """Lifted off for a minute, and another bottle put on; nothing is read meanwhile."""
    return None if 1000 < t_s < 1060 else -120.0 * (t_s >= 1060)


@pytest.mark.parametrize(
    "shift_g",
    [
        lambda t: -t * 0.5 / 3600,
        lambda t: -0.3 * (1 - np.exp(-t / 1080)),
        cooling,
        off_and_lighter,
        lambda t: -3.0 * (t > 700) - 5.0 * (t > 2000),
        lambda t: 20.0 * (500 < t < 530),
    ],
    ids=["evaporation", "creep", "cooling", "exchanged", "things taken off", "leaned on"],
)
def test_a_shut_valve_is_not_blamed_for_what_the_bench_does(shift_g):
    rng = np.random.default_rng(4)

    def mass(t_s):
        shift = shift_g(t_s)
        return None if shift is None else 500 + shift - t_s * 0.5 / 3600 + rng.normal(0, 0.03)

    assert not watch(samples(mass, seconds=3 * 3600, feed=lambda t: False))
