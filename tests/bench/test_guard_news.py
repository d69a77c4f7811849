"""What the guard says of each limit, and its limits to the gram and the half second."""

from __future__ import annotations

import pytest

from soakmon.bench.guard import Code
from tests.bench.test_guard import LIMITS, RACK_G, new_guard, samples, watch

# What each limit says, to whom, and of which carburettor: programs go by code and kind.
NEWS = [
    (Code.VAPOUR, "vapour", None, "the vapour detector is in alarm"),
    (Code.BLIND, "bench", None, "no usable load-cell reading for 120 s"),
    (Code.FAST, "flood", None, "fuel is pouring out: 1.5 g in one minute"),
    (Code.TOTAL, "flood", None, "loss limit reached: 60 g since the rack was full"),
    (Code.FILLING, "flood", None, "filling never ends: 150 g into a rack that holds 125 g"),
    (Code.RISING, "bench", None, "the bottle gets heavier while the feed is open"),
    (Code.STORM, "flood", 3, "carb 3 overflows: 8 drops in 10 s"),
    (Code.VALVE_FAILED, "bench", None, "the valve does not stop the flow: 60 g/h with the feed"),
]  # fmt: skip


def news_of(code):
    """The first trip of this kind on a bench on which just that goes wrong."""
    falls = lambda g_per_min: lambda t_s: 300 - g_per_min * t_s / 60  # noqa: E731
    found = {
        Code.VAPOUR: lambda: watch(samples(lambda t: 300.0, seconds=1, vapour=True)),
        Code.BLIND: lambda: watch(samples(lambda t: None, seconds=130)),
        Code.FAST: lambda: watch(samples(falls(6.0), seconds=200)),
        Code.TOTAL: lambda: watch(samples(falls(1.0), seconds=4000)),
        Code.FILLING: lambda: watch(samples(falls(60.0), seconds=200), filled=False),
        Code.RISING: lambda: watch(samples(lambda t: 300 + 0.5 * t, seconds=300)),
        Code.STORM: lambda: watch(samples(lambda t: 300.0, seconds=10, drops=lambda t: (2,))),
        Code.VALVE_FAILED: lambda: watch(
            samples(falls(1.0), seconds=900, feed=lambda t: False), filled=True
        ),
    }[code]()
    return next(trip for trip in found if trip.code is code)


@pytest.mark.parametrize(("code", "kind", "carb", "says"), NEWS, ids=[one[0] for one in NEWS])
def test_each_limit_says_what_it_is_about(code, kind, carb, says):
    trip = news_of(code)
    assert (trip.kind, trip.carb) == (kind, carb)
    assert trip.text.startswith(says)


def stepped(down_to_g, *, filled, g_per_s):
    """A mass that falls evenly to exactly this, and stays there."""
    mass = lambda t_s: max(300 - g_per_s * max(t_s - 5, 0), down_to_g)  # noqa: E731
    seconds = (300 - down_to_g) / g_per_s + 120
    return {trip.code for trip in watch(samples(mass, seconds=seconds), filled=filled)}


def test_a_limit_that_is_just_reached_is_not_passed():
    slowly, fast = 1 / 64, 1.0
    assert stepped(300 - LIMITS.total_g, filled=True, g_per_s=slowly) == set()
    assert stepped(300 - LIMITS.total_g - 0.5, filled=True, g_per_s=slowly) == {Code.TOTAL}
    most_g = RACK_G + LIMITS.fill_g_over
    assert stepped(300 - most_g, filled=False, g_per_s=fast) == set()
    assert stepped(300 - most_g - 0.5, filled=False, g_per_s=fast) == {Code.FILLING}


def test_a_rack_is_full_when_its_flow_ends_and_what_goes_then_is_a_loss():
    """A hundred grams go in, and a slow leak begins: it is counted from the full rack on."""

    def mass(t_s):
        return 300 - 0.5 * min(t_s, 200) - max(t_s - 600, 0) / 64

    trips = watch(samples(mass, seconds=600 + 64 * 70), filled=False)
    assert [trip.code for trip in trips] == [Code.TOTAL]
    assert trips[0].t_s == pytest.approx(600 + 64 * LIMITS.total_g, abs=64)


def full_at(mass_of, until_s, opened_s=0.0):
    """When a rack that was being filled is called full, s."""
    guard = new_guard(filled=False)
    for sample in samples(mass_of, seconds=until_s, feed=lambda t: t >= opened_s):
        guard.step(sample)
        if guard.filled:
            return sample.t_s
    return None


def test_a_fill_lasts_two_minutes_at_least_and_an_hour_at_most():
    assert full_at(lambda t: 300.0, 200) == 120.5
    assert full_at(lambda t: 300.0, 1200, opened_s=1000.0) == 1120.5
    # It never ends, and never takes too much.
    assert full_at(lambda t: 300 - t / 32, 4000) == 3600.5
