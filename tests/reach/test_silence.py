"""When a bench counts as silent."""

from __future__ import annotations

import json

from soakmon.reach.silence import Silence


class Watch:
    def __init__(self, only=None):
        self.silence = Silence(120, 60, only, 0.0)
        self.silence.connection(True, 0.0)
        self.now_s = 0.0
        self.beats = 0

    def state(self, phase="soaking", bench="bench", *, beat=True, run="", live=True):
        self.beats += beat
        payload = {"schema": "soakmon.state/1", "phase": phase, "taken_at": f"beat {self.beats}"}
        payload["run"] = run
        self.silence.take(bench, "state", json.dumps(payload).encode(), self.now_s, live=live)

    def availability(self, state, bench="bench"):
        payload = json.dumps({"schema": "soakmon.availability/1", "state": state})
        self.silence.take(bench, "availability", payload.encode(), self.now_s)

    def wait(self, seconds, beat=None):
        """(time, title) of what is told; beat: phase of heartbeats every 30 s."""
        found = []
        for _ in range(round(seconds)):
            self.now_s += 1
            if beat and self.now_s % 30 == 0:
                self.state(beat)
            found += [(self.now_s, told.title) for told in self.silence.due(self.now_s)]
        return found


def test_a_beating_bench_is_left_alone():
    watch = Watch()
    watch.availability("online")
    assert watch.wait(7200, beat="soaking") == []


def test_a_soaking_bench_that_stops_beating_is_told_once_and_its_return_too():
    watch = Watch()
    watch.availability("online")
    watch.wait(300, beat="soaking")
    assert watch.wait(3600) == [(420, "Bench bench is silent")]
    assert watch.wait(90, beat="soaking") == [(3930, "Bench bench is back")]
    assert watch.wait(3600)[0][1] == "Bench bench is silent"


def test_a_state_that_comes_but_does_not_move_is_no_heartbeat():
    watch = Watch()
    watch.state()
    told = []
    for _ in range(10):
        told += watch.wait(30)
        watch.state(beat=False)
    assert told == [(120, "Bench bench is silent")]


def test_a_last_will_is_told_sooner():
    watch = Watch()
    watch.availability("online")
    watch.wait(300, beat="soaking")
    watch.availability("offline")
    assert watch.wait(60) == [(330, "Bench bench is silent")]


def test_a_short_absence_is_not_told():
    watch = Watch()
    watch.wait(300, beat="soaking")
    watch.availability("offline")
    assert watch.wait(20) == []
    watch.availability("online")
    assert watch.wait(600, beat="soaking") == []


def test_an_idle_or_ended_bench_may_go():
    for phase in ("idle", "ended"):
        watch = Watch()
        watch.state(phase)
        watch.availability("offline")
        assert watch.wait(3600) == []


def test_without_a_broker_nobody_is_called_silent():
    watch = Watch()
    watch.wait(300, beat="soaking")
    watch.silence.connection(False, watch.now_s)
    assert watch.wait(3600) == [(360, "The broker is gone")]
    watch.silence.connection(True, watch.now_s)
    assert watch.wait(1) == [(3901, "The broker is back")]
    # The bench has its full time to come back as well.
    assert watch.wait(3600) == [(4020, "Bench bench is silent")]


def test_a_broker_that_comes_back_does_not_bring_a_silent_bench_back():
    watch = Watch()
    watch.wait(300, beat="soaking")
    assert len(watch.wait(600)) == 1
    watch.silence.connection(False, watch.now_s)
    watch.wait(10)
    watch.silence.connection(True, watch.now_s)
    watch.state(beat=False)  # what the broker had kept
    assert watch.wait(3600) == []
    assert watch.wait(60, beat="soaking") == [(4530, "Bench bench is back")]


def test_many_benches_and_only_those_wanted():
    watch = Watch(only={"left", "right"})
    for bench in ("left", "right", "other"):
        watch.state(bench=bench)
    assert [title for _, title in watch.wait(600)] == [
        "Bench left is silent", "Bench right is silent",
    ]  # fmt: skip


def test_nonsense_is_ignored():
    watch = Watch()
    for payload in (b"", b"{", b"[]", b"3", b'{"schema": 3}', b"\xff", b"[" * 100_000):
        watch.silence.take("bench", "state", payload, 0.0)
    watch.silence.take("bench", "state", b'{"schema": "soakmon.verdict/1"}', 0.0)
    assert watch.silence.benches == {}
    assert watch.wait(600) == [(120, "The lookout hears nobody")]


def test_a_wire_that_comes_and_goes_is_told_and_a_silent_bench_all_the_same():
    watch = Watch()
    watch.wait(300, beat="soaking")
    told = []
    for _ in range(round(7200 / 28)):
        told += watch.wait(25)
        watch.silence.connection(False, watch.now_s)
        told += watch.wait(3)
        watch.silence.connection(True, watch.now_s)
        watch.state(beat=False, live=False)  # what the broker had kept
    assert [title for _, title in told] == [
        "The wire to the broker comes and goes", "Bench bench is silent"
    ]  # fmt: skip
    assert told[0][0] <= 300 + 5 * 28
    assert told[1][0] <= 300 + 25 + 120 * 28 / 25 + 28
    assert [title for _, title in watch.wait(600)] == ["The wire to the broker is steady again"]


def test_a_living_bench_is_not_called_silent_over_a_wire_that_comes_and_goes():
    watch = Watch()
    watch.wait(300, beat="soaking")
    told = []
    for _ in range(100):
        told += watch.wait(25)
        watch.silence.connection(False, watch.now_s)
        told += watch.wait(3)
        watch.silence.connection(True, watch.now_s)
        watch.state(live=False)  # the broker had kept a newer one
    assert [title for _, title in told] == ["The wire to the broker comes and goes"]


def test_a_bench_that_left_is_told_over_a_wire_that_comes_and_goes():
    watch = Watch()
    watch.wait(300, beat="soaking")
    watch.availability("offline")
    told = []
    for _ in range(4):
        told += watch.wait(10)
        watch.silence.connection(False, watch.now_s)
        told += watch.wait(3)
        watch.silence.connection(True, watch.now_s)
    assert [title for _, title in told] == ["Bench bench is silent"]


def test_a_named_bench_that_is_never_heard_is_told_once_and_not_well():
    watch = Watch(only={"left", "right"})
    watch.state(bench="left")
    assert watch.silence.trouble() == "not heard yet: right"
    told = []
    for _ in range(40):
        told += watch.wait(30)
        watch.state(bench="left")
    assert told == [(120, "Bench right is not heard")]
    watch.availability("online", bench="right")  # it may be read that it is there, but not how
    assert watch.silence.trouble() == "not heard yet: right"
    watch.state(bench="right")
    assert [title for _, title in watch.wait(1)] == ["Bench right is heard"]
    assert watch.silence.trouble() == ""


def test_a_named_bench_that_is_switched_off_is_known():
    watch = Watch(only={"left"})
    watch.availability("offline", bench="left")
    assert watch.silence.trouble() == ""
    assert watch.wait(3600) == []


def test_a_lookout_that_hears_nobody_is_not_well_and_says_so():
    watch = Watch()
    assert watch.silence.trouble() == "not heard yet: any bench"
    assert watch.wait(3600) == [(120, "The lookout hears nobody")]
    watch.state("idle")
    assert [title for _, title in watch.wait(1)] == ["The lookout hears a bench"]
    assert watch.silence.trouble() == ""


def test_two_benches_of_one_name_are_told_and_the_one_that_hangs_as_well():
    watch = Watch()
    watch.state(run="aaaa1")
    watch.wait(20)
    watch.state(run="bbbb2")
    watch.wait(20)
    watch.state(run="aaaa1")
    told = []
    for _ in range(20):
        told += watch.wait(30)
        watch.state(run="bbbb2")  # the first one hangs now
    assert [title for _, title in told] == [
        "Two benches are named bench", "Bench bench (aaaa) is silent"
    ]  # fmt: skip
    assert told[1][0] == 20 + 20 + 120


def test_a_bench_that_was_started_again_is_one_bench():
    watch = Watch()
    told = []
    for run in ("aaaa1", "bbbb2", "cccc3"):
        watch.state(run=run)
        told += watch.wait(60)
        watch.silence.connection(False, watch.now_s)
        watch.silence.connection(True, watch.now_s)
        watch.state(run=run, beat=False, live=False)
    assert told == []


def test_what_the_broker_kept_of_an_old_run_is_no_second_bench():
    watch = Watch()
    watch.state(run="aaaa1")
    watch.state(run="bbbb2")
    watch.state(run="aaaa1", live=False)
    assert watch.wait(60) == []


def test_the_alarm_of_a_bench_whose_phone_is_dead_is_told_by_the_lookout():
    watch = Watch()

    def state(**more):
        watch.beats += 1
        payload = {"schema": "soakmon.state/1", "phase": "isolating", "taken_at": f"{watch.beats}"}
        watch.silence.take("bench", "state", json.dumps(payload | more).encode(), watch.now_s)
        return [one for _, one in watch.wait(30)]

    assert state(alarms_waiting=0, phone_trouble="no net") == []
    assert state(alarms_waiting=1, phone_trouble="") == []
    title = "Bench bench has an alarm and reaches nobody"
    assert state(alarms_waiting=1, phone_trouble="first/1: no net") == [title]
    assert state(alarms_waiting=1, phone_trouble="first/1: no net") == []
    assert state(alarms_waiting=0, phone_trouble="first/1: no net") == []
    assert state(alarms_waiting=1, phone_trouble="first/1: no net") == [title]


def answered(watch, bench="left", to_bench="left", **more):
    payload = {"bench": bench, "to_bench": to_bench, "to": "a"} | more
    watch.silence.clash(json.dumps(payload).encode(), watch.now_s)


def test_a_bench_that_keeps_still_for_its_name_or_identity_is_told_once():
    watch = Watch(only={"left"})
    watch.state("idle", "left")
    answered(watch)
    answered(watch, "left", "north/right")
    told = [title for _, title in watch.wait(3)]
    assert told == ["Two benches are named left", "left and north/right have one identity"]
    for _ in range(30):
        answered(watch)
        assert watch.wait(60) == []
    watch.wait(700)
    answered(watch)
    assert [title for _, title in watch.wait(1)] == ["Two benches are named left"]


def test_a_clash_of_nobody_is_none():
    watch = Watch(only={"left"})
    watch.state(bench="left")
    answered(watch, "right", "right")
    answered(watch, "left", "<b>")
    for payload in (b"", b"[]", b'{"bench": "left"}', b'{"bench": 1, "to_bench": 2}', b"[" * 9999):
        watch.silence.clash(payload, watch.now_s)
    assert watch.wait(3) == []
