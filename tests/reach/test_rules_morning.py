"""What waits for the morning: results, quiet hours, a bottle that runs dry; trouble that lasts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from soakmon.bench.bench_status import BenchStatus
from tests.reach.test_rules import HOUR, NIGHT, POLICY, VERDICT, Feeder, status_with


def test_results_wait_for_the_morning():
    feeder = Feeder()
    feeder.take(NIGHT, "verdict", **VERDICT)
    told = feeder.told(NIGHT, NIGHT + 12 * HOUR, 60.0)
    assert [at / 60 for at, _ in told] == [7.5]
    assert told[0][1].title == "LEAKING: invented rack"
    assert "Most likely: carb 2: bowl gasket" in told[0][1].body
    assert not told[0][1].urgent


def test_a_result_of_a_bench_without_a_valve_does_not_say_that_it_shut_the_feed():
    for valve, said in ((True, True), (False, False)):
        feeder = Feeder(replace(POLICY, valve=valve))
        feeder.take(NIGHT + 12 * HOUR, "verdict", **VERDICT)
        ((_, told),) = feeder.told(NIGHT + 12 * HOUR, NIGHT + 12 * HOUR)
        assert ("The feed is shut" in told.body) is said
        assert "Shut the tap" in told.body


def test_a_soak_that_begins_is_told_at_once_when_it_is_wanted():
    for wanted, titles in ((True, ["A soak begins, invented rack: bench"]), (False, [])):
        feeder = Feeder(replace(POLICY, tell_start=wanted))
        feeder.take(NIGHT, "phase", phase="preflight", reason="invented rack")
        assert [one.title for _, one in feeder.told(NIGHT, NIGHT + 60)] == titles


@pytest.mark.parametrize(
    ("rate", "said"),
    [(240.0, "about 4 g/min"), (0.0123, "about 0.3 g/day"), (None, "not known yet")],
)
def test_rates_are_said_without_exponents(rate, said):
    feeder = Feeder()
    feeder.alarm(NIGHT, rate=rate)
    assert said in feeder.told(NIGHT, NIGHT)[0][1].body


def test_results_by_day_come_at_once():
    feeder = Feeder()
    feeder.take(NIGHT + 12 * HOUR, "verdict", **VERDICT)
    assert len(feeder.told(NIGHT + 12 * HOUR, NIGHT + 12 * HOUR)) == 1


def test_quiet_hours_follow_the_zone_over_a_clock_change():
    # The night to 28 March 2027 is an hour shorter in Berlin: 07:00 is 05:00 UTC.
    feeder = Feeder(replace(POLICY, zone=ZoneInfo("Europe/Berlin")))
    feeder.take(NIGHT, "verdict", **VERDICT)
    told = feeder.told(NIGHT, NIGHT + 12 * HOUR, 60.0)
    assert [at / 60 for at, _ in told] == [5.5]


@pytest.mark.parametrize(
    ("start", "end", "hour", "quiet"),
    [(22, 7, 23, True), (22, 7, 7, False), (1, 6, 0, False), (1, 6, 3, True), (7, 7, 7, False)],
)
def test_quiet_hours(start, end, hour, quiet):
    policy = replace(POLICY, quiet_from_min=60 * start, quiet_to_min=60 * end)
    at = datetime(2027, 1, 5, hour, 0, tzinfo=UTC).timestamp()
    assert policy.quiet(at) is quiet


def test_trouble_has_hysteresis():
    feeder = Feeder()
    # A minute's trouble is nothing; three minutes are; a short good spell is not its end.
    status = status_with((1, 2), (10, 13), (15, 40))
    told = feeder.told(NIGHT, NIGHT + 2 * HOUR, status=status)
    assert [round(at) for at, _ in told] == [12, 50]
    assert "load cell: no reading" in told[0][1].body
    assert told[0][1].urgent
    assert "well again" in told[1][1].title


def test_short_troubles_do_not_add_up():
    # A minute of trouble in every two, for hours: none of them lasts.
    status = status_with(*((start, start + 1) for start in range(0, 240, 2)))
    assert Feeder().told(NIGHT, NIGHT + 4 * HOUR, status=status) == []


def test_trouble_of_an_idle_bench_is_nobodys_business():
    assert Feeder().told(NIGHT, NIGHT + HOUR, status=status_with((0, 60), phase="idle")) == []


def test_the_vapour_alarm_is_told_at_once_even_when_idle():
    told = Feeder().told(NIGHT, NIGHT + 60, status=lambda at: BenchStatus(vapour_alarm=True))
    assert [at for at, _ in told] == [0]


def test_a_bottle_that_runs_dry_is_told_once_by_day():
    feeder = Feeder()

    def status(at_s):
        return BenchStatus(
            phase="soaking", soak=3, wall_s=at_s, left_s=10 * HOUR, dry_at_wall_s=at_s + 9 * HOUR
        )

    told = feeder.told(NIGHT, NIGHT + 12 * HOUR, 60.0, status=status)
    assert [at / 60 for at, _ in told] == [7.5]
    assert "empty at 08:30" in told[0][1].body
