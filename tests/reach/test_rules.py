"""Who is told what, and when."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from soakmon.bench.bench_status import BenchStatus
from soakmon.reach.rules import Memory, Policy, Rules
from soakmon.records.journal import Event

POLICY = Policy("bench", 300, 900, 120, 600, 22 * 60, 7 * 60, ZoneInfo("UTC"), "http://bench/")
NIGHT = datetime(2027, 3, 27, 23, 30, tzinfo=UTC).timestamp()
HOUR = 3600.0
VERDICT = {
    "verdict": "leaking", "reason": "carb 2 leaks", "observed_loss_g": 12.0,
    "expected_evaporation_g": {"best": 4.0, "low": 3.0, "high": 5.0},
    "leak_g_per_h": {"best": 0.4, "low": 0.3, "high": 0.5},
    "suspects": [{"cause": "bowl_joint_weep", "carb": 2, "probability": 0.8}],
}  # fmt: skip


class Feeder:
    def __init__(self, policy=POLICY):
        self.rules = Rules(policy)
        self.count = 0

    def take(self, at_s, what, **data):
        self.count += 1
        self.rules.take(Event(self.count, 1, 0.0, at_s, what, data), "invented rack")

    def alarm(self, at_s, kind="flood", carb=2, rate=1.4):
        self.take(
            at_s, "alarm", t_s=0.0, kind=kind, carb=carb, leak_g_per_h=rate, text="fast drops"
        )

    def told(self, start_s, end_s, step_s=10.0, status=None):
        """(minutes since start, message) of everything told between two times."""
        found = []
        at_s = start_s
        while at_s <= end_s:
            if status is not None:
                self.rules.look(status(at_s), at_s)
            found += [((at_s - start_s) / 60, told) for told in self.rules.due(at_s)]
            at_s += step_s
        return found


def test_a_flood_is_told_again_until_acknowledged_and_then_to_the_second_person():
    feeder = Feeder()
    feeder.take(NIGHT - 1, "feed", open=True)
    feeder.alarm(NIGHT)
    feeder.take(NIGHT + 1, "feed", open=False)
    told = feeder.told(NIGHT + 1, NIGHT + 1205)
    assert [round(at) for at, _ in told] == [0, 5, 10, 15, 20]
    assert [one.second for _, one in told] == [False, False, False, True, True]
    assert all(one.urgent for _, one in told)
    first, again = told[0][1], told[1][1]
    assert first.title == "FLOOD, carb 2: bench"
    noticed = "noticed at 23:30 UTC on 2027-03-27 (0:00 h after the start)"
    shut = "has shut the feed at 23:30 UTC"
    rest = ("fast drops", "carb 2; about 34 g/day", "Go and look now", "http://bench/")
    for words in (noticed, shut, *rest):
        assert words in first.body
    assert "Not acknowledged yet" in again.body
    feeder.take(NIGHT + 1201, "ack", alarms=[0])
    assert feeder.told(NIGHT + 1202, NIGHT + 5 * HOUR) == []


def test_a_flood_that_guard_and_decider_find_is_one_and_says_what_both_know():
    feeder = Feeder()
    feeder.alarm(NIGHT, carb=None, rate=None)
    first = feeder.told(NIGHT, NIGHT)
    feeder.alarm(NIGHT + 1, carb=2, rate=90.0)
    feeder.alarm(NIGHT + 1, carb=3)  # another one
    told = feeder.told(NIGHT + 1, NIGHT + 301)
    assert "carb not known; rate not known" in first[0][1].body
    assert [one.title[:13] for _, one in told] == [
        "FLOOD, carb 3", "FLOOD, carb 2", "FLOOD, carb 3"
    ]  # fmt: skip
    assert "carb 2; about 1.5 g/min" in told[1][1].body


def test_a_flood_after_an_acknowledged_one_is_a_new_one():
    feeder = Feeder()
    feeder.alarm(NIGHT)
    assert len(feeder.told(NIGHT, NIGHT)) == 1
    feeder.take(NIGHT + 60, "ack", alarms=[0])
    feeder.alarm(NIGHT + 120)
    told = feeder.told(NIGHT + 120, NIGHT + 120 + 1205)
    # At once, and again every five minutes: the one before has silenced nothing.
    assert [round(at) for at, _ in told] == [0, 5, 10, 15, 20]
    assert "Not acknowledged yet" not in told[0][1].body


def test_alarms_are_known_by_their_mark():
    feeder = Feeder()
    for mark in ("aaaaaaaaaaaa", "bbbbbbbbbbbb"):
        feeder.take(
            NIGHT, "alarm", t_s=0.0, kind="weep", carb=2, leak_g_per_h=1.0, text="x", uid=mark
        )
    assert [told.key for _, told in feeder.told(NIGHT, NIGHT)] == [
        "alarm/aaaaaaaaaaaa", "alarm/bbbbbbbbbbbb"
    ]  # fmt: skip


def test_a_new_soak_begins_with_the_feed_shut():
    feeder = Feeder()
    feeder.take(NIGHT - 60, "feed", open=True)
    feeder.take(NIGHT, "phase", phase="preflight")
    feeder.alarm(NIGHT + 10, "bench")
    ((at, told),) = feeder.told(NIGHT + 10, NIGHT + 20, 1.0)
    assert at == 0
    assert "STILL OPEN" not in told.body


def test_a_flood_nobody_answers_does_not_go_on_for_ever():
    feeder = Feeder()
    feeder.alarm(NIGHT)
    assert len(feeder.told(NIGHT, NIGHT + 24 * HOUR, 60.0)) == 144


def test_a_clock_that_is_put_back_does_not_silence_a_flood():
    feeder = Feeder()
    feeder.alarm(NIGHT)
    assert len(feeder.told(NIGHT, NIGHT)) == 1
    assert len(feeder.told(NIGHT - 5 * HOUR, NIGHT - 5 * HOUR + 600)) == 3


def test_a_new_soak_ends_the_old_alarms():
    feeder = Feeder()
    feeder.alarm(NIGHT)
    assert len(feeder.told(NIGHT, NIGHT)) == 1
    feeder.take(NIGHT + 60, "phase", phase="preflight")
    assert feeder.told(NIGHT + 60, NIGHT + HOUR) == []


def test_an_open_feed_is_said():
    feeder = Feeder()
    feeder.take(NIGHT - 60, "feed", open=True)
    feeder.alarm(NIGHT, "weep")
    told = feeder.told(NIGHT, NIGHT + 20, 1.0)
    assert [at * 60 for at, _ in told] == [3.0]
    assert "STILL OPEN" in told[0][1].body


def test_a_bench_without_a_valve_has_shut_nothing():
    feeder = Feeder(replace(POLICY, valve=False))
    feeder.take(NIGHT - 60, "feed", open=True)
    feeder.alarm(NIGHT, "weep")
    feeder.take(NIGHT + 1, "feed", open=False)
    (_, told), = feeder.told(NIGHT + 1, NIGHT + 20)  # fmt: skip
    assert "no valve" in told.body
    assert "has shut" not in told.body


@pytest.mark.parametrize("kind", ["weep", "starved", "bench"])
def test_other_alarms_are_told_once_at_once(kind):
    feeder = Feeder()
    feeder.alarm(NIGHT, kind)
    told = feeder.told(NIGHT, NIGHT + 12 * HOUR, 60.0)
    assert [at for at, _ in told] == [0]
    assert told[0][1].urgent


def test_the_rules_go_on_after_a_restart_as_if_nothing_had_been():
    def story(feeder, restart):
        found = []
        feeder.alarm(NIGHT)
        feeder.take(NIGHT, "verdict", **VERDICT)
        for part in range(30):
            start = NIGHT + part * 1800
            found += [
                (start + 60 * at, told)
                for at, told in feeder.told(
                    start, start + 1790, status=status_with((0, 7), (100, 300))
                )
            ]
            if restart:
                kept = json.loads(json.dumps(feeder.rules.as_memo()))
                feeder.rules = Rules(POLICY, Memory.of(kept))
        return found

    assert story(Feeder(), restart=True) == story(Feeder(), restart=False)


def test_a_result_tells_the_times_of_the_shops_clock_and_how_long_after_the_start():
    feeder = Feeder(replace(POLICY, zone=ZoneInfo("Europe/Berlin")))
    reason = "leak at carb 2, about 8.4 g/day, begun between 1:10 h and 2:00 h after the start"
    found = VERDICT | {"reason": reason, "duration_s": 8 * HOUR}
    morning = NIGHT + 9 * HOUR
    feeder.rules.take(Event(1, 1, 8 * HOUR, morning, "verdict", found), "invented rack")
    told = feeder.rules.due(morning + HOUR)[0].body
    # The clocks go forward in that night: as in the report, the clock of the start goes on.
    assert "begun between 02:40 and 03:30 CET" in told
    assert "Watched for 8:00 h, 01:30 to 09:30 CET" in told


def test_messages_are_in_the_language_of_bench_toml():
    feeder = Feeder(replace(POLICY, language="de"))
    feeder.take(NIGHT - 1, "feed", open=True)
    feeder.alarm(NIGHT)
    feeder.take(NIGHT + 1, "feed", open=False)
    flood = feeder.told(NIGHT + 1, NIGHT + 1)[0][1]
    assert flood.title == "ÜBERLAUFEN, Vergaser 2: bench"
    when = "23:30 UTC am 2027-03-27"
    rest = ("Wo: Vergaser 2; etwa 34 g/Tag", "Hahn an der Flasche zu", "hat den Zulauf um")
    for words in (when, *rest, "http://bench/"):
        assert words in flood.body, words
    # Also what the button says, and what stands in its place where the way to the phone has none.
    assert flood.button == "Quittieren"
    assert "mit der Taste" in flood.by_button
    assert flood.elsewhere.startswith("Quittieren auf der Seite")
    feeder.take(NIGHT + HOUR, "verdict", **VERDICT)
    told = feeder.told(NIGHT + 9 * HOUR, NIGHT + 9 * HOUR)
    (result,) = [one for _, one in told if one.key.startswith("result")]
    assert result.title == "UNDICHT: invented rack"
    assert "Am wahrscheinlichsten: Vergaser 2: Kammerdichtung" in result.body


@pytest.fixture
def feeder():
    return Feeder(replace(POLICY, tell_start=True))


def plain(told):
    """Key, urgency, and whether the message names the bench and says where to look."""
    return [
        (one.key, one.urgent, "bench" in one.title, one.body.endswith("http://bench/"))
        for _, one in told
    ]


def test_each_message_has_a_key_of_its_own_says_which_bench_and_whether_it_is_urgent(feeder):
    noon = NIGHT + 12 * HOUR
    feeder.take(noon, "phase", phase="preflight", reason="rack")
    assert plain(feeder.told(noon, noon)) == [("begin/1", False, True, True)]
    feeder.take(noon, "verdict", **VERDICT)
    ((_, result),) = feeder.told(noon, noon)
    assert (result.key, result.urgent) == ("result/1", False)
    assert result.body.endswith("http://bench/")

    def dry(at_s):
        return BenchStatus(phase="soaking", soak=7, dry_at_wall_s=at_s + 60, left_s=HOUR)

    assert plain(feeder.told(noon, noon, status=dry)) == [("dry/7", False, True, True)]

    def broken(at_s):
        return BenchStatus(phase="soaking", soak=7, cell_trouble="no reading")

    told = feeder.told(noon, noon + 130, status=broken)
    assert plain(told) == [("trouble/cell_trouble", True, True, True)]
    assert "Since: 11:30 UTC" in told[0][1].body
    told = feeder.told(noon + 140, noon + 800, status=lambda _: BenchStatus(phase="soaking"))
    assert plain(told) == [("trouble/cell_trouble", False, True, True)]


def test_what_comes_together_is_told_together(feeder):
    noon = NIGHT + 12 * HOUR
    feeder.take(noon, "phase", phase="preflight", reason="rack")
    feeder.take(noon, "verdict", **VERDICT)
    feeder.alarm(noon, kind="weep")
    told = feeder.told(noon, noon, status=lambda _: BenchStatus(vapour_alarm=True))
    assert [one.key for _, one in told] == [
        "alarm/3", "trouble/vapour_alarm", "begin/1", "result/1"
    ]  # fmt: skip


def test_only_alarms_that_were_seen_are_acknowledged_and_stay_so(feeder):
    for mark, carb in (("aaaaaaaaaaaa", 2), ("bbbbbbbbbbbb", 3)):
        feeder.take(
            NIGHT, "alarm", t_s=0.0, kind="flood", carb=carb, leak_g_per_h=9.0, text="x", uid=mark
        )
    feeder.told(NIGHT, NIGHT)
    feeder.take(NIGHT + 1, "ack", alarms=[0], uids=["aaaaaaaaaaaa"])
    assert list(feeder.rules.answerable(NIGHT + 2)) == ["bbbbbbbbbbbb"]
    feeder.take(NIGHT + 2, "ack", alarms=[], uids=[])
    told = feeder.told(NIGHT + 300, NIGHT + 300)
    assert [one.key for _, one in told] == ["alarm/bbbbbbbbbbbb"]
    assert feeder.rules.answerable(NIGHT + 12 * HOUR) == {}


def test_an_alarm_that_nobody_was_told_of_cannot_be_answered(feeder):
    feeder.alarm(NIGHT)
    assert feeder.rules.answerable(NIGHT) == {}
    feeder.told(NIGHT, NIGHT)
    assert feeder.rules.answerable(NIGHT) == {"1": ["1"]}
    feeder.alarm(NIGHT + 1, carb=None)  # the guard's, of the same flood
    assert feeder.rules.answerable(NIGHT + 1) == {"1": ["1", "2"]}


@pytest.mark.parametrize(
    ("clock", "quiet"),
    [("21:59", False), ("22:00", True), ("06:59", True), ("07:00", False), ("07:59", False)],
)
def test_quiet_hours_begin_and_end_by_the_minute(clock, quiet):
    at = datetime.fromisoformat(f"2027-03-27T{clock}:00+00:00").timestamp()
    assert POLICY.quiet(at) is quiet
    by_day = replace(POLICY, quiet_from_min=7 * 60, quiet_to_min=22 * 60)
    assert by_day.quiet(at) is not quiet


def test_what_was_to_be_told_soon_outlives_a_restart(feeder):
    feeder.take(NIGHT, "phase", phase="preflight", reason="rack")
    again = Rules(feeder.rules.policy, Memory.of(json.loads(json.dumps(feeder.rules.as_memo()))))
    assert [one.key for one in again.due(NIGHT)] == ["begin/1"]
    assert Memory.of({}) == Memory()


def test_an_alarm_that_says_nothing_is_trouble_of_the_bench_and_told_all_the_same(feeder):
    feeder.take(NIGHT, "alarm")
    ((_, told),) = feeder.told(NIGHT, NIGHT)
    assert told.title == "Bench trouble: bench"
    assert "no more is known" in told.body


def status_with(*spans, phase="soaking"):
    """Trouble of the cell during spans of minutes."""

    def status(at_s):
        minutes = (at_s - NIGHT) / 60
        there = any(start <= minutes < end for start, end in spans)
        return BenchStatus(phase=phase, cell_trouble="no reading" if there else "")

    return status
