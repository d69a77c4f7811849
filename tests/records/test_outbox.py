"""The journal as an outbox: where an outlet begins, how far it is, and what it keeps."""

from __future__ import annotations

import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from soakmon.records.outbox import Cursor, Outbox
from soakmon.records.verdict_form import VerdictForm
from tests.reach.bench import FakeService, bench_with


@pytest.fixture
def service(tmp_path):
    service = FakeService(tmp_path, bench_with())
    service.start()
    yield service
    service.journal.close()


@pytest.fixture
def outbox(service):
    outbox = Outbox(service.journal.path, "phone")
    yield outbox
    outbox.close()


def test_a_new_outlet_begins_at_the_end_of_both(service):
    service.rows(3)
    service.alarm()
    outbox = Outbox(service.journal.path, "new")
    assert outbox.batches() == []
    assert outbox.events() == []
    service.rows()
    service.alarm()
    assert [batch.id for batch in outbox.batches()] == [4]
    assert [event.id for event in outbox.events()] == [2]
    outbox.close()


def test_where_the_cursor_was_lost_with_a_damaged_journal_the_running_soak_is_told_anew(service):
    service.rows(2)
    service.alarm()
    service.journal.finish(9.0, VerdictForm(verdict="leaking"))
    service.journal.owe(1, owed=False)
    service.start()
    service.rows()
    service.alarm()
    service.journal.connection.execute("INSERT INTO floor VALUES (0, 0, 0)")
    outbox = Outbox(service.journal.path, "phone")
    assert [batch.id for batch in outbox.batches()] == [3]
    assert [event.soak for event in outbox.events()] == [2]
    outbox.close()


def test_an_outlet_goes_on_where_it_was(service):
    outbox = Outbox(service.journal.path, "phone")
    service.rows(3)
    service.alarm()
    service.alarm()
    outbox.move(batch=2, event=1)
    outbox.close()
    again = Outbox(service.journal.path, "phone")
    assert again.cursor == Cursor(2, 1)
    assert [batch.id for batch in again.batches()] == [3]
    assert [event.id for event in again.events()] == [2]
    assert (again.batches_waiting(), again.events_waiting()) == (1, 1)
    again.close()


def test_what_waits_is_as_old_as_the_oldest_of_it(service, outbox):
    assert outbox.waiting_since_wall_s() is None
    begin_s = service.now_s
    service.rows(3)
    service.alarm()
    service.rows()
    service.alarm()
    assert outbox.waiting_since_wall_s() == begin_s + 9
    assert outbox.waiting_since_wall_s(batches=False) == begin_s + 30
    outbox.move(batch=2)
    assert outbox.waiting_since_wall_s() == begin_s + 29
    outbox.move(batch=3)
    assert outbox.waiting_since_wall_s() == begin_s + 30
    outbox.move(event=1)
    assert outbox.waiting_since_wall_s() == begin_s + 39


def test_all_or_nothing(service, outbox):
    outbox.note({"told": 1})
    service.alarm()

    def half_done() -> None:
        with outbox.together():
            outbox.note({"told": 2})
            outbox.move(event=1)
            raise KeyError

    with pytest.raises(KeyError):
        half_done()
    other = Outbox(service.journal.path, "phone")
    assert other.memo() == {"told": 1}
    assert other.cursor.event == 0
    other.close()
    with outbox.together():
        outbox.note({"told": 3})
    assert outbox.memo() == {"told": 3}


def test_a_lock_is_waited_for_only_shortly_and_the_cursor_moves_in_memory(service, outbox):
    service.alarm()
    other = sqlite3.connect(service.journal.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    began_s = time.monotonic()
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        outbox.move(event=1)
    assert time.monotonic() - began_s < 4
    assert outbox.events() == []
    assert outbox.written != outbox.cursor
    other.execute("ROLLBACK")
    other.close()
    outbox.move()
    assert outbox.written == outbox.cursor
    again = Outbox(service.journal.path, "phone")
    assert again.cursor.event == 1
    again.close()


def test_an_outlet_can_begin_while_the_journal_is_locked(service):
    service.alarm()
    other = sqlite3.connect(service.journal.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    outbox = Outbox(service.journal.path, "new")
    other.execute("ROLLBACK")
    other.close()
    service.alarm()
    assert [event.id for event in outbox.events()] == [2]
    outbox.close()


def test_what_is_refused_is_put_aside_once(outbox):
    assert outbox.park(1.0, "refused", "{}")
    assert not outbox.park(2.0, "refused", "{}")


def test_damaged_text_is_passed_over(service, outbox):
    service.alarm()
    service.alarm()
    for text in ("{", "[]", "[" * 100_000):
        service.journal.connection.execute("UPDATE event SET data = ? WHERE id = 1", (text,))
        assert [event.kind for event in outbox.events()] == ["damaged", "alarm"]


def test_what_is_read_of_a_soak(service, outbox):
    service.rows(3)
    service.alarm()
    service.journal.finish(30.0, VerdictForm(verdict="tight"))
    second = service.start(job=None)
    service.rows()
    service.alarm()
    assert outbox.soak(1) == ("invented rack", "J-17")
    assert outbox.soak(second) == ("invented rack", None)
    assert outbox.soak(99) == outbox.soak(None) == ("", None)
    assert outbox.soaks_of("J-17") == [1]
    assert outbox.soaks_of(str(second)) == [second]
    assert outbox.soaks_of("J-18") == []
    assert [batch.id for batch in outbox.batches_of(1)] == [1, 2, 3]
    assert [batch.id for batch in outbox.batches_of(1, 2, 2)] == [2]
    assert [event.id for event in outbox.events_of(second)] == [2]


def test_a_batch_has_its_soak_its_job_its_time_and_its_rows(service, outbox):
    service.rows()
    (batch,) = outbox.batches_of(1)
    assert (batch.id, batch.soak, batch.job) == (1, 1, "J-17")
    assert batch.wall_s == service.now_s - 1
    assert len(batch.rows) == 10
    assert batch.rows.drops.sum() == 1


def test_an_event_whose_text_is_damaged_keeps_its_place(service, outbox):
    service.rows(2)
    service.alarm()
    service.alarm()
    service.journal.connection.execute("UPDATE event SET data = '{' WHERE id = 2")
    _, event = outbox.events_of(1)
    assert (event.id, event.soak, event.kind, event.data) == (2, 1, "damaged", {})
    assert (event.t_s, event.wall_s) == (service.t_s, service.now_s)


def test_an_outlet_that_has_noted_nothing_has_an_empty_memo(outbox):
    assert outbox.memo() == {}


def test_an_outlet_begins_although_its_journal_cannot_be_read_now(tmp_path):
    outbox = Outbox(tmp_path / "empty.db", "phone")
    assert (outbox.at, outbox.written) == (None, None)
    with pytest.raises(sqlite3.Error):
        _ = outbox.cursor
    outbox.close()


def test_an_outbox_is_read_by_a_thread_that_did_not_make_it(service, outbox):
    service.alarm()
    with ThreadPoolExecutor(1) as pool:
        assert len(pool.submit(outbox.events).result(10)) == 1
