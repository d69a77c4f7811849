"""The journal's writer: a disk that hangs, that is full for weeks, and a thread that ends."""

from __future__ import annotations

import sqlite3
import threading
import time

import pytest

from soakmon.records import waiting, writer
from soakmon.records.journal import Journal
from tests.records.rows import ENTRY, anchor, row


def test_a_disk_that_hangs_keeps_nobody_waiting(tmp_path):
    journal = Journal(tmp_path / "j.db")
    other = sqlite3.connect(tmp_path / "j.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    journal.run(lambda error: pytest.fail(str(error)))
    began_s = time.monotonic()
    soak = journal.start(ENTRY)
    for t_s in range(100):
        journal.add_rows(row(t_s), anchor(t_s))
        journal.add_event(t_s, 1.8e9, "note", {})
    assert time.monotonic() - began_s < 1.0
    assert not journal.settle(0.01)
    other.execute("ROLLBACK")
    other.close()
    assert journal.settle(10.0)
    journal.close()
    again = Journal(tmp_path / "j.db")
    assert again.read_rows(soak).t_s.tolist() == list(range(100))
    assert len(again.read_events()) == 100


def test_a_disk_that_does_not_answer_is_told_while_it_does_not(tmp_path, monkeypatch):
    monkeypatch.setattr(writer, "_HANGS_S", 0.0)
    journal = Journal(tmp_path / "j.db")
    hold, asked = threading.Event(), threading.Event()

    def hanging(entries):
        asked.set()
        hold.wait(20)

    journal.writer._write = hanging
    journal.run(lambda error: pytest.fail(str(error)))
    journal.start(ENTRY)
    assert asked.wait(5)
    assert "the disk has not answered for" in journal.trouble
    hold.set()
    assert journal.settle(5)
    assert journal.trouble == ""


def test_a_writer_that_ends_is_missed(tmp_path):
    journal = Journal(tmp_path / "j.db")
    ended, missed = [], threading.Event()

    def end(error):
        ended.append(error)
        missed.set()

    def gone():
        raise SystemExit("gone")

    journal.writer._flush = gone
    journal.run(end)
    journal.start(ENTRY)
    assert missed.wait(5)
    assert isinstance(ended[0], SystemExit)


def test_a_bench_that_never_can_write_gives_up_its_oldest_readings_and_says_so(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(waiting, "MOST_BYTES", 20_000)
    journal = Journal(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    journal.connection.execute("PRAGMA query_only = 1")
    for t_s in range(1200):
        journal.add_rows(row(t_s), anchor(t_s))
    journal.add_event(1199.0, 1.8e9, "alarm", {})
    assert "of readings wait in memory" in journal.trouble
    assert "were given up" in journal.trouble
    journal.connection.execute("PRAGMA query_only = 0")
    assert journal.commit()
    rows = journal.read_rows(soak)
    assert rows.t_s[-1] == 1199
    assert 200 < len(rows) < 600
    assert len(journal.read_events(soak)) == 1
