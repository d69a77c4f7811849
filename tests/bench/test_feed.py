"""The one hand on the valve: latch, limits and a person's word decide, and shutting asks nobody."""

from __future__ import annotations

from typing import Any

import pytest

from soakmon.bench.feed import Feed
from soakmon.bench.guard import Code, Trip
from soakmon.records.latch import Latch

FLOOD = {"kind": "flood", "text": "carb 2 overflows", "uid": "f"}
HUNG = {"kind": "bench", "text": "no sign of life", "uid": "h"}
VAPOUR = Trip(1.0, "vapour", None, "the vapour detector is in alarm", Code.VAPOUR)
SEEP = Trip(1.0, "bench", None, "the valve does not stop the flow", Code.VALVE_FAILED)


class Valve:
    def __init__(self) -> None:
        self.is_open = False
        self.broken = False

    def open(self) -> None:
        self.is_open = True

    def shut(self) -> None:
        if self.broken:
            raise OSError("no such pin")
        self.is_open = False


class Bench:
    def __init__(self, folder) -> None:
        self.valve, self.latch, self.levels = Valve(), Latch(folder / "latch"), []
        self.latch.allocate()
        self.feed = Feed(self.valve, self.latch, lambda: self.levels, lambda: 1.8e9)

    def confirm(self) -> str:
        return self.feed.confirm(self.latch.number)


@pytest.fixture
def bench(tmp_path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def opened(bench) -> Bench:
    bench.confirm()
    assert bench.feed.open() == ""
    return bench


def test_nobody_has_confirmed(bench):
    assert bench.feed.open() == "nobody has opened the feed yet"
    assert not bench.valve.is_open


def test_the_latch_is_off_on_disk_only_while_the_feed_may_be_open(opened):
    assert opened.valve.is_open
    assert Latch(opened.latch.path).reason is None
    opened.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
    assert not opened.valve.is_open
    opened.latch.write()
    assert Latch(opened.latch.path).reason == "guard: carb 2 overflows"
    assert opened.feed.open() == "guard: carb 2 overflows"


def test_a_pause_is_no_reason_to_stay_shut(opened):
    opened.feed.pause()
    assert not opened.valve.is_open
    assert opened.feed.open() == ""
    assert opened.valve.is_open


def test_a_confirmation_opens_once(opened):
    opened.feed.shut("by command")
    assert opened.feed.open() == "by command"


def test_what_came_after_the_confirmation_is_not_confirmed(bench):
    seen = bench.latch.number
    bench.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
    assert bench.feed.confirm(seen) == "guard: carb 2 overflows"
    assert bench.feed.begin(seen) == "guard: carb 2 overflows"
    assert bench.feed.open() != ""


def test_an_alarm_takes_the_confirmation_back(bench):
    bench.confirm()
    bench.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
    assert bench.feed.open() == "guard: carb 2 overflows"
    assert not bench.valve.is_open


def test_the_first_alarm_is_kept_and_a_flood_is_more_than_any_trouble(opened):
    opened.feed.shut("no sign of life", "hung", HUNG)
    opened.feed.shut("ended by command")
    opened.feed.shut("another trouble", "failed", HUNG | {"uid": "x"})
    assert opened.latch.reason == "no sign of life"
    opened.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
    opened.feed.shut("guard: carb 3 overflows", "storm", FLOOD | {"uid": "y"})
    assert opened.latch.note.alarm["uid"] == "f"


def test_what_lasts_is_not_confirmed_away(bench):
    bench.levels = [VAPOUR]
    bench.confirm()
    assert bench.feed.open() == VAPOUR.text
    bench.levels = []
    assert bench.feed.open() == ""


def test_what_has_happened_is_forgiven_by_a_person_alone(opened):
    opened.feed.pause()
    opened.levels = [SEEP]
    assert opened.feed.open() == SEEP.text
    opened.confirm()
    assert opened.feed.open() == ""
    # The guard has not yet seen it open; when it has, the same limit counts again.
    opened.feed.hold()
    assert opened.valve.is_open
    opened.feed.seen_open()
    opened.feed.hold()
    assert not opened.valve.is_open


def test_a_broken_limit_shuts_at_every_look_not_once(opened):
    opened.levels = [VAPOUR]
    for _ in range(3):
        opened.valve.is_open = True
        opened.feed.hold()
        assert not opened.valve.is_open
    assert opened.feed.stray_opens == 3


def test_a_feed_that_is_only_shut_for_a_while_is_held_shut_as_well(opened):
    opened.feed.pause()
    opened.valve.is_open = True
    opened.feed.hold()
    assert not opened.valve.is_open


def test_whoever_latches_it_the_feed_is_shut(opened):
    opened.latch.set("the journal was damaged", "journal", 1.8e9)
    opened.feed.hold()
    assert not opened.valve.is_open


def test_a_latch_that_cannot_be_lifted_keeps_it_shut(bench, monkeypatch):
    def failing(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("soakmon.records.latch.os.pwrite", failing)
    bench.confirm()
    assert "cannot be written" in bench.feed.open()
    assert not bench.valve.is_open


@pytest.mark.parametrize("first", [True, False])
def test_an_alarm_while_the_latch_is_lifted_wins(bench, monkeypatch, first):
    lift = bench.latch.lift

    def meanwhile(seen):
        if first:
            bench.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
        found = lift(seen)
        if not first:
            bench.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
        return found

    monkeypatch.setattr(bench.latch, "lift", meanwhile)
    bench.confirm()
    assert bench.feed.open() == "guard: carb 2 overflows"
    assert not bench.valve.is_open


def test_a_valve_that_cannot_be_shut_is_said(opened):
    opened.valve.broken = True
    opened.feed.shut("guard: carb 2 overflows", "storm", FLOOD)
    assert "close the tap" in opened.feed.trouble
    assert opened.latch.reason == "guard: carb 2 overflows"
    opened.valve.broken = False
    opened.feed.hold()
    assert not opened.valve.is_open
    assert opened.feed.trouble == ""


def test_a_service_that_stops_opens_nothing(bench):
    bench.confirm()
    bench.feed.close()
    assert bench.feed.open() == "the service is stopping"


def test_a_valve_that_is_just_being_shut_was_not_found_open(tmp_path):
    """The sampler looks while another thread shuts it, which takes its time."""
    bench = Bench(tmp_path)
    bench.confirm()
    assert bench.feed.open() == ""
    shut, calls = bench.valve.shut, []

    class Slow:
        @property
        def is_open(self) -> bool:
            return bench.valve.is_open

        def shut(self) -> None:
            if not calls:
                calls.append("looked")
                bench.feed.hold()
            shut()

    feed: Any = bench.feed
    feed.valve = Slow()
    bench.feed.pause()
    assert calls == ["looked"]
    assert bench.feed.stray_opens == 0
    bench.valve.is_open = True
    bench.feed.hold()
    assert bench.feed.stray_opens == 1


def test_all_that_came_up_is_told_and_known_to_who_confirms(opened):
    feed, latch = opened.feed, opened.latch
    feed.shut("no sign of life", "hung", HUNG)
    seen = latch.number
    feed.shut("the feed was found open", "feed_open", HUNG | {"uid": "o"})
    assert feed.confirm(seen) == "no sign of life; the feed was found open"
    feed.shut("carb 2 overflows", "storm", FLOOD)
    feed.shut("carb 2 overflows", "storm", FLOOD)
    feed.shut("the soak has ended")
    assert latch.reasons == [
        "carb 2 overflows", "no sign of life", "the feed was found open", "the soak has ended",
    ]  # fmt: skip
    latch.write()
    assert Latch(latch.path).reasons == latch.reasons
    assert opened.confirm() == ""
    assert feed.open() == ""
    assert latch.reasons == []


def test_what_somebody_wished_before_is_no_reason_any_more(opened):
    opened.feed.shut("by command")
    opened.feed.shut("no sign of life", "hung", HUNG)
    assert opened.latch.reasons == ["no sign of life"]
