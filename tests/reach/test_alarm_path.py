"""Alarms reach people from memory, whatever the disk does, and are not told twice."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import contextmanager

import pytest

from soakmon.reach.event_inbox import EventInbox
from soakmon.reach.outlets import Outlets
from soakmon.records.journal import Event
from tests.reach.bench import FakeService, bench_with, until
from tests.reach.test_phone import close, outlet_of

ALARM = {"kind": "flood", "carb": 2, "leak_g_per_h": 90.0, "text": "fast drops"}


class Ears:
    """An outlet that hears the service; got: (address, title)."""

    def __init__(self, folder, service=None, urls=("json://a.example",), second=()):
        self.got = []
        self.outlet, self.service = outlet_of(
            folder, urls=list(urls), second=list(second), service=service,
            deliver=lambda target, title, body, *, urgent: self.got.append((title, body)),
        )  # fmt: skip
        self.service.listeners.append(self.outlet.heard.hear)

    def alarm(self, uid="0123456789ab", *, stored=True, **more):
        data = {"t_s": self.service.t_s} | ALARM | ({"uid": uid} if uid else {}) | more
        self.service.tell("alarm", **data)
        if stored:
            self.service.event("alarm", **data)

    def titles(self):
        return [title for title, _ in self.got]


@contextmanager
def locked(path):
    """Another process holds the journal's write lock."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    yield
    other.execute("ROLLBACK")
    other.close()


@contextmanager
def full(outlet):
    """No page more for the outlet's database."""
    pages = outlet.outbox.connection.execute("PRAGMA page_count").fetchone()[0]
    outlet.outbox.connection.execute(f"PRAGMA max_page_count = {pages}")
    yield
    outlet.outbox.connection.execute("PRAGMA max_page_count = 1000000")


@pytest.mark.parametrize("uid", ["0123456789ab", None])
def test_an_alarm_is_told_once_though_memory_and_journal_tell_it(tmp_path, uid):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.service.tell("feed", open=False)
    ears.alarm(uid, stored=False)
    ears.outlet.step()
    assert ears.titles() == ["FLOOD, carb 2: bench"]
    ears.service.event("feed", open=False)
    ears.service.event("alarm", t_s=0.0, **ALARM, **({"uid": uid} if uid else {}))
    for _ in range(3):
        ears.outlet.step()
    assert len(ears.got) == 1
    assert ears.outlet.heard.ahead == {}
    close(ears.outlet, ears.service)


def test_an_alarm_that_the_journal_tells_first_is_told_once(tmp_path):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.service.event("feed", open=True)
    data = {"t_s": 0.0, **ALARM, "kind": "weep", "uid": "0123456789ab"}
    ears.service.event("alarm", **data)
    ears.service.now_s += 10
    ears.outlet.step()
    # Memory is late, and another thing has happened since.
    ears.service.event("ack", alarms=[0])
    ears.service.event("feed", open=False)
    ears.outlet.step()
    ears.service.tell("feed", open=True)
    ears.service.tell("alarm", **data)
    ears.service.tell("ack", alarms=[0])
    ears.outlet.step()
    assert len(ears.got) == 1
    assert ears.outlet.rules.memory.feed_open is False
    close(ears.outlet, ears.service)


def test_two_alarms_that_look_alike_are_two(tmp_path):
    ears = Ears(tmp_path)
    ears.service.start()
    for uid in ("0123456789ab", "ba9876543210"):
        ears.alarm(uid, kind="weep")
    ears.outlet.step()
    assert ears.titles() == ["Weep, carb 2: bench"] * 2
    # Those of old journals have no mark.
    for _ in range(2):
        ears.service.event("alarm", t_s=9.0, **ALARM | {"kind": "weep", "carb": 3})
    ears.outlet.step()
    assert ears.titles()[2:] == ["Weep, carb 3: bench"] * 2
    close(ears.outlet, ears.service)


def test_a_locked_journal_holds_up_no_alarm(tmp_path):
    ears = Ears(tmp_path, second=["json://b.example"])
    ears.service.start()
    ears.outlet.step()
    with locked(ears.service.journal.path):
        ears.alarm(stored=False)
        ears.outlet.step()
        assert ears.titles() == ["FLOOD, carb 2: bench"]
        # Reminders and the second person go on, and what was sent is remembered.
        for _ in range(4):
            ears.service.now_s += 300
            ears.outlet.test_clock[0] += 300
            ears.outlet.step()
        assert len(ears.got) == 1 + 4 + 2
        # Somebody acknowledges: the reminders end, though it is on no disk.
        ears.service.tell("ack", alarms=[0])
        ears.outlet.step()
        ears.service.now_s += 3600
        ears.outlet.step()
    assert len(ears.got) == 7
    # The lock is gone: the journal tells the same again, and nothing is told twice.
    ears.service.event("alarm", t_s=0.0, uid="0123456789ab", **ALARM)
    ears.service.event("ack", alarms=[0])
    ears.service.now_s += 3600
    ears.outlet.step()
    assert len(ears.got) == 7
    assert ears.outlet.outbox.memo()["heard"]["ahead"] == {}
    close(ears.outlet, ears.service)


def test_a_full_disk_holds_up_no_alarm_and_is_told(tmp_path):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.service.say(phase="soaking")
    ears.outlet.step()
    with full(ears.outlet):
        ears.alarm(stored=False, text="long " * 3000)
        for _ in range(20):
            ears.service.now_s += 10
            ears.outlet.step()
        assert ears.titles() == ["FLOOD, carb 2: bench", "Trouble with the journal: bench"]
        assert "cannot be written down: database or disk is full" in ears.got[1][1]
    ears.outlet.step()
    assert ears.outlet.unnoted == ""
    assert ears.outlet.outbox.memo()["rules"]["alarms"][0]["id"] == "0123456789ab"
    close(ears.outlet, ears.service)


@pytest.mark.parametrize("what", ["events", "note"])
def test_a_disk_that_hangs_holds_up_no_alarm_and_is_told(tmp_path, monkeypatch, what):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.service.say(phase="soaking")
    ears.outlet.aside.patience_s = 0.2
    ears.outlet.step()
    let_go = threading.Event()
    good = getattr(ears.outlet.outbox, what)

    def hang(*arguments):
        let_go.wait(30)
        return good(*arguments)

    monkeypatch.setattr(ears.outlet.outbox, what, hang)
    ears.alarm(stored=False)
    ears.outlet.step()
    assert ears.titles() == ["FLOOD, carb 2: bench"]
    for _ in range(20):
        ears.service.now_s += 10
        ears.outlet.step()
    assert ears.titles() == ["FLOOD, carb 2: bench", "Trouble with the journal: bench"]
    assert "the disk does not answer" in ears.got[1][1]
    # It comes back.
    let_go.set()
    ears.outlet.aside.running.result(10)
    ears.outlet.step()
    assert ears.outlet.unread == ears.outlet.unnoted == ""
    close(ears.outlet, ears.service)


def test_after_a_crash_that_nothing_was_written_of_it_is_told_twice_rather_than_never(tmp_path):
    ears = Ears(tmp_path)
    service = ears.service
    service.start()
    ears.outlet.step()
    with locked(service.journal.path):
        ears.alarm(stored=False)
        ears.outlet.step()
    assert len(ears.got) == 1
    service.event("alarm", t_s=0.0, uid="0123456789ab", **ALARM)
    ears.outlet.outbox.close()
    again = Ears(tmp_path, service)
    again.outlet.step()
    assert again.titles() == ["FLOOD, carb 2: bench"]
    close(again.outlet, service)


def test_after_a_crash_between_memory_and_journal_it_is_known_again(tmp_path):
    ears = Ears(tmp_path)
    service = ears.service
    service.start()
    ears.alarm(stored=False)
    ears.outlet.step()
    ears.outlet.outbox.close()
    service.event("alarm", t_s=0.0, uid="0123456789ab", **ALARM)
    again = Ears(tmp_path, service)
    again.outlet.step()
    assert again.got == []
    close(again.outlet, service)


def test_an_outlet_that_is_started_again_keeps_what_it_could_not_write(tmp_path):
    ears = Ears(tmp_path)
    ears.service.start()
    with locked(ears.service.journal.path):
        ears.alarm(stored=False)
        ears.outlet.step()
        ears.outlet.close()
        ears.outlet.open()
        ears.outlet.step()
    assert len(ears.got) == 1
    close(ears.outlet, ears.service)


def test_a_damaged_memo_keeps_nobody_from_being_told(tmp_path):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.outlet.outbox.note({"rules": {"alarms": [{"no": "alarm"}]}})
    ears.outlet.outbox.close()
    again = Ears(tmp_path, ears.service)
    again.alarm()
    again.outlet.step()
    assert len(again.got) == 1
    close(again.outlet, ears.service)


def test_what_is_heard_can_be_known_again_and_is_bounded():
    heard = EventInbox({"alarm", "ack"}, lambda: 5.0)
    for number in range(3000):
        heard.hear(float(number), "ack", {"alarms": (number,)})
        heard.hear(1.0, "estimate", {})
    assert len(heard.fresh()) == 1000
    assert len(heard.ahead) == 100
    # JSON makes lists of tuples: it is the same event all the same, but only once.
    event = Event(7, 1, 2999.0, 5.0, "ack", {"alarms": [2999]})
    assert heard.again(event)
    assert not heard.again(event)
    heard.hear(2999.0, "ack", {"alarms": (2999,)})
    assert heard.fresh() == []
    assert not heard.again(Event(8, 1, 1.0, 5.0, "estimate", {}))


def test_an_event_that_makes_no_sense_stops_no_other(tmp_path, caplog):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.service.event("feed", shut="perhaps")
    ears.service.tell("phase", fast=True)
    ears.alarm()
    ears.outlet.step()
    assert ears.titles() == ["FLOOD, carb 2: bench"]
    assert ears.outlet.outbox.events_waiting() == 0
    assert "is passed over" in caplog.text
    close(ears.outlet, ears.service)


def test_an_alarm_that_says_too_little_is_told_all_the_same(tmp_path):
    ears = Ears(tmp_path)
    ears.service.start()
    ears.service.tell("alarm", uid="0123456789ab")
    ears.outlet.step()
    assert ears.titles() == ["Bench trouble: bench"]
    close(ears.outlet, ears.service)


async def test_outlets_hear_before_they_have_started(tmp_path, http):
    urls = [f"json://127.0.0.1:{http.port}/a"]
    service = FakeService(tmp_path, bench_with(phone={"enabled": True, "urls": urls}))
    outlets = Outlets(service)
    service.start()
    service.tell("alarm", t_s=0.0, uid="0123456789ab", **ALARM)
    outlets.start()
    await until(lambda: http.got)
    await outlets.stop()
    assert [message["title"] for message in http.got] == ["FLOOD, carb 2: bench"]
    service.journal.close()
