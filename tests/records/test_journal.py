"""The journal keeps what it took, whatever happens to process and disk."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.errors import DamagedError, InputError
from soakmon.records.journal import BATCH_S, Journal
from soakmon.records.packing import pack, unpack
from soakmon.records.schema import STEPS, VERSION
from soakmon.records.verdict_form import VerdictForm
from soakmon.watch.averaging import join
from soakmon.watch.rows import Rows
from tests.records.rows import ENTRY, anchor, row


@given(
    st.lists(st.floats(0, 1e6, allow_nan=False), min_size=1, max_size=20, unique=True).map(sorted),
    st.integers(0, 8),
    st.booleans(),
)
def test_packed_rows_come_back_exactly(times, gates, missing):
    n = len(times)
    drops = np.arange(n * gates, dtype=float).reshape(n, gates) % 65000
    if missing and gates:
        drops[0, 0] = np.nan
    mass = np.where(missing, np.nan, np.linspace(0, 2000, n))
    rows = Rows(np.array(times), mass, np.full(n, 20.1), drops, None, np.ones(n))
    again = unpack(pack(rows), gates)
    assert np.array_equal(again.t_s, rows.t_s)
    assert np.array_equal(again.mass_g, rows.mass_g, equal_nan=True)
    assert np.array_equal(again.drops, rows.drops, equal_nan=True)
    assert again.fuel_c is None


def test_block_lengths_come_back_and_rows_without_them_stay_as_they_were_written():
    plain = row(4.0)
    blocks = np.array([[np.nan, 4.25, np.nan, 0.6]])
    timed = replace(plain, block_ms=blocks)
    assert np.array_equal(unpack(pack(timed), 4).block_ms, blocks, equal_nan=True)
    assert unpack(pack(plain), 4).block_ms is None
    nothing = replace(plain, block_ms=np.full((1, 4), np.nan))
    assert pack(nothing) == pack(plain)
    joined = join([plain, timed])
    assert joined.block_ms is not None
    assert np.array_equal(joined.block_ms[1], blocks[0], equal_nan=True)
    assert np.isnan(joined.block_ms[0]).all()


def test_rows_are_batched_and_events_commit_at_once(tmp_path):
    journal = Journal(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    other = Journal(tmp_path / "j.db")
    for t_s in range(5):
        journal.add_rows(row(t_s), anchor(t_s))
    assert other.read_rows(soak) is None
    journal.add_event(4.0, 1.8e9, "note", {"text": "ü"})
    assert len(other.read_rows(soak)) == 5
    assert other.read_events()[0].data == {"text": "ü"}
    for t_s in range(5, 100):
        journal.add_rows(row(t_s), anchor(t_s))
    assert len(other.read_rows(soak)) >= 100 - BATCH_S


def test_an_unfinished_soak_is_found_with_its_anchor(tmp_path):
    journal = Journal(tmp_path / "j.db")
    assert journal.resume() is None
    soak = journal.start(ENTRY)
    for t_s in range(30):
        journal.add_rows(row(t_s), anchor(t_s))
    journal.close()
    again = Journal(tmp_path / "j.db")
    entry, found = again.resume()
    assert entry.id == soak
    assert found.t_s == again.read_rows(soak).t_s[-1]
    assert found.boot_s == found.t_s + 5
    again.finish(found.t_s, VerdictForm(verdict="tight"))
    assert again.resume() is None


def test_soaks_do_not_mix(tmp_path):
    journal = Journal(tmp_path / "j.db")
    for number in (1, 2):
        assert journal.start(ENTRY) == number
        for t_s in range(number * 20):
            journal.add_rows(row(t_s), anchor(t_s))
        journal.finish(0.0, VerdictForm(verdict="tight"))
    assert [len(journal.read_rows(n)) for n in (1, 2)] == [20, 40]


def test_an_older_journal_is_brought_up_to_date(tmp_path):
    path = tmp_path / "old.db"
    with sqlite3.connect(path) as old:
        old.executescript(f"BEGIN; {STEPS[0]} PRAGMA user_version = 1; COMMIT;")
    old.close()
    journal = Journal(path)
    version = journal.connection.execute("PRAGMA user_version").fetchone()[0]
    assert version == VERSION
    journal.connection.execute("SELECT * FROM cursor")
    journal.close()


def test_newer_and_foreign_files_are_refused(tmp_path):
    newer, foreign, text = tmp_path / "n.db", tmp_path / "f.db", tmp_path / "t.db"
    for path, pragma in ((newer, "user_version = 99"), (foreign, "application_id = 7")):
        connection = sqlite3.connect(path)
        connection.execute(f"PRAGMA {pragma}")
        connection.execute("CREATE TABLE a (b)")
        connection.commit()
        connection.close()
    text.write_text("this is not a database, and long enough to be read as one" * 20)
    with pytest.raises(InputError, match="newer"):
        Journal(newer)
    with pytest.raises(InputError, match="another program"):
        Journal(foreign)
    with pytest.raises(DamagedError, match="cannot be opened"):
        Journal(text)


def test_a_full_disk_loses_nothing_once_there_is_room_again(tmp_path):
    journal = Journal(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    pages = journal.connection.execute("PRAGMA page_count").fetchone()[0]
    journal.connection.execute(f"PRAGMA max_page_count = {pages + 1}")
    for t_s in range(2000):
        journal.add_rows(row(t_s), anchor(t_s))
    assert "full" in journal.trouble
    journal.connection.execute("PRAGMA max_page_count = 100000")
    assert journal.commit()
    assert journal.trouble == ""
    assert journal.read_rows(soak).t_s.tolist() == list(range(2000))


def test_a_locked_journal_is_trouble_and_passes(tmp_path):
    journal = Journal(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    journal.connection.execute("PRAGMA busy_timeout = 10")
    other = sqlite3.connect(tmp_path / "j.db")
    other.execute("BEGIN IMMEDIATE")
    for t_s in range(30):
        journal.add_rows(row(t_s), anchor(t_s))
    assert "locked" in journal.trouble
    other.rollback()
    other.close()
    assert journal.commit()
    assert len(journal.read_rows(soak)) == 30


WRITER = """
import sys
import threading
import time
from pathlib import Path
from tests.records.rows import ENTRY, anchor, row
from soakmon.records.journal import Journal
journal = Journal(Path(sys.argv[1]))
found = journal.resume()
start = 0 if found is None else int(found[1].t_s) + 1 if found[1] else 0
if found is None:
    journal.start(ENTRY)
for t_s in range(start, 10**9):
    journal.add_rows(row(t_s), anchor(t_s))
    print(t_s, flush=True)
"""


def test_killed_at_random_instants_no_committed_row_is_lost_or_doubled(tmp_path):
    path = tmp_path / "j.db"
    rng = np.random.default_rng(7)
    committed = 0
    for _ in range(25):
        command = [sys.executable, "-c", WRITER, str(path)]
        root = Path(__file__).parent.parent.parent
        with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=root) as writer:
            for _ in range(int(rng.integers(5, 400))):
                writer.stdout.readline()
            os.kill(writer.pid, signal.SIGKILL)
            written = writer.stdout.read()
        last = int(written.split()[-1]) if written.split() else None
        journal = Journal(path)
        assert journal.check() == "ok"
        rows = journal.read_rows(1)
        times = rows.t_s.tolist() if rows is not None else []
        journal.connection.close()
        assert times == list(range(len(times)))
        assert len(times) >= committed
        if last is not None:
            assert len(times) >= last - BATCH_S
        committed = len(times)
    assert committed > 1000


def test_a_torn_last_page_costs_at_most_its_batch(tmp_path):
    path = tmp_path / "j.db"
    journal = Journal(path)
    journal.start(ENTRY)
    for t_s in range(300):
        journal.add_rows(row(t_s), anchor(t_s))
    wal = path.with_name("j.db-wal").read_bytes()
    copy = tmp_path / "torn.db"
    copy.write_bytes(path.read_bytes())
    copy.with_name("torn.db-wal").write_bytes(wal[:-1000] + bytes(1000))
    torn = Journal(copy)
    assert torn.check() == "ok"
    times = torn.read_rows(1).t_s.tolist()
    assert times == list(range(len(times)))
    assert len(times) >= 300 - 3 * BATCH_S
    journal.close()
    torn.close()


class Broken(sqlite3.Connection):
    """A connection on which one statement goes wrong, before or after it was done."""

    fails: str | tuple[str, ...] = ""
    after = False

    def execute(self, statement, *values):
        if not self.fails or not statement.startswith(self.fails):
            return super().execute(statement, *values)
        if self.after:
            super().execute(statement, *values)
        raise sqlite3.OperationalError("disk I/O error")


def broken(path: Path) -> Journal:
    def connect(path: Path) -> sqlite3.Connection:
        connection = sqlite3.connect(path, factory=Broken, check_same_thread=False)
        connection.isolation_level = None
        return connection

    return Journal(path, connect)


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize(
    "fails", ["BEGIN", "INSERT", "UPDATE", "COMMIT", ("INSERT", "ROLLBACK")], ids=str
)
def test_whatever_statement_fails_nothing_is_lost_or_doubled(tmp_path, fails, after):
    journal = broken(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    for t_s in range(5):
        journal.add_rows(row(t_s), anchor(t_s))
    Broken.fails, Broken.after = fails, after
    try:
        journal.add_event(4.0, 1.8e9, "note", {"text": "while it fails"})
        journal.add_rows(row(5), anchor(5))
        journal.finish(5.0, VerdictForm(verdict="tight"))
        assert "cannot be written" in journal.trouble
    finally:
        Broken.fails, Broken.after = "", False
    assert journal.commit()
    assert journal.trouble == ""
    journal.close()
    again = Journal(tmp_path / "j.db")
    assert again.read_rows(soak).t_s.tolist() == list(range(6))
    assert [event.data["text"] for event in again.read_events()] == ["while it fails"]
    assert again.soaks()[0].verdict == VerdictForm(verdict="tight")
    assert again.owed() == [soak]


def test_what_belongs_together_is_on_disk_together_or_not_at_all(tmp_path):
    journal = Journal(tmp_path / "j.db")
    other = Journal(tmp_path / "j.db")
    with journal.together():
        journal.start(ENTRY)
        journal.add_event(0.0, 1.8e9, "phase", {"phase": "preflight"})
        with journal.together():
            journal.add_event(0.0, 1.8e9, "record", {})
        journal.commit()
        assert other.soaks() == []
        assert other.read_events() == []
    assert len(other.soaks()) == 1
    assert [event.soak for event in other.read_events()] == [1, 1]


def test_rows_are_their_soaks_also_when_the_next_one_has_begun(tmp_path):
    journal = Journal(tmp_path / "j.db")
    first = journal.start(ENTRY)
    journal.connection.execute("PRAGMA query_only = 1")
    for t_s in range(35):
        journal.add_rows(row(t_s), anchor(t_s))
    second = journal.start(ENTRY)
    journal.add_rows(row(0), anchor(0))
    journal.connection.execute("PRAGMA query_only = 0")
    assert journal.settle()
    assert [len(journal.read_rows(soak)) for soak in (first, second)] == [35, 1]


def test_only_the_last_soak_goes_on(tmp_path):
    journal = Journal(tmp_path / "j.db")
    _, later = journal.start(ENTRY), journal.start(ENTRY)
    assert journal.resume()[0].id == later
    journal.finish(0.0, VerdictForm(verdict="tight"))
    assert journal.resume() is None


def test_a_second_verdict_changes_nothing(tmp_path):
    journal = Journal(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    journal.finish(10.0, VerdictForm(verdict="tight"))
    journal.owe(soak, owed=False)
    journal.finish(20.0, VerdictForm(verdict="leaking"))
    assert journal.soaks()[0].verdict == VerdictForm(verdict="tight")
    assert journal.owed() == []


def test_readings_that_are_not_as_they_were_written_are_not_read(tmp_path):
    journal = Journal(tmp_path / "j.db")
    soak = journal.start(ENTRY)
    for t_s in range(20):
        journal.add_rows(row(t_s), anchor(t_s))
    journal.commit()
    (data,) = journal.connection.execute("SELECT rows FROM batch").fetchone()
    spoilt = data[:100] + bytes([data[100] ^ 1]) + data[101:]
    journal.connection.execute("UPDATE batch SET rows = ? WHERE id = 1", (spoilt,))
    with pytest.raises(DamagedError, match="readings of soak 1"):
        journal.read_rows(soak)
