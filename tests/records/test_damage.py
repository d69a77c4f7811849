"""A damaged journal is found, kept, and a new one goes on with what can be read of it."""

from __future__ import annotations

import random
import sqlite3

import pytest

from soakmon.errors import InputError, TroubleError
from soakmon.records import damage
from soakmon.records.damage import fault_in, open_journal
from soakmon.records.holding import holding
from soakmon.records.journal import Journal
from soakmon.records.verdict_form import VerdictForm
from tests.records.rows import ENTRY, anchor, row

PAGE = 1024


def two_soaks(path) -> None:
    """A journal with a soak that has ended and one that runs."""
    journal = Journal(path)
    for soak in (1, 2):
        journal.start(ENTRY)
        for t_s in range(300):
            journal.add_rows(row(t_s), anchor(t_s))
            if t_s % 10 == 0:
                journal.add_event(t_s, 1.8e9 + t_s, "note", {"n": t_s, "text": "x" * 300})
        if soak == 1:
            journal.finish(299.0, VerdictForm(verdict="tight"))
            journal.owe(1, owed=False)
    journal.close()


def spoil(path, page: int, what: bytes | None = None) -> None:
    with path.open("r+b") as file:
        file.seek(page * PAGE)
        file.write(what or random.Random(page).randbytes(PAGE))


def pages(path) -> int:
    return path.stat().st_size // PAGE


def test_a_sound_journal_is_opened_as_it_is(tmp_path):
    two_soaks(tmp_path / "journal.db")
    opened = open_journal(tmp_path / "journal.db", 1.9e9)
    assert opened.aside is None
    assert opened.journal.resume()[0].id == 2


def test_whatever_page_is_damaged_the_bench_goes_on_with_what_is_left(tmp_path):
    two_soaks(tmp_path / "sound.db")
    whole = (tmp_path / "sound.db").read_bytes()
    path = tmp_path / "journal.db"
    for page in range(len(whole) // PAGE):
        for what in (None, bytes(PAGE)):
            if what is None and page % 3:
                continue
            path.write_bytes(whole)
            spoil(path, page, what)
            spoilt = path.read_bytes()
            if spoilt == whole:
                continue
            opened = open_journal(path, 1.9e9)
            journal = opened.journal
            if opened.aside is None:
                pytest.fail(f"page {page} is damaged and nobody knows")
            assert opened.aside.read_bytes() == spoilt
            assert fault_in(journal) == ""
            assert journal.start(ENTRY) >= 1
            journal.add_event(0.0, 1.9e9, "note", {})
            assert journal.read_events()[-1].id > 1e9
            journal.close()
            for left in tmp_path.glob("journal.db*"):
                left.unlink()


def test_a_damaged_leaf_costs_only_what_was_on_it(tmp_path):
    path = tmp_path / "journal.db"
    two_soaks(path)
    connection = sqlite3.connect(path)
    leaf = connection.execute(
        "SELECT pageno FROM dbstat WHERE name = 'batch' AND pagetype = 'leaf'"
        " ORDER BY pageno DESC LIMIT 1"
    )
    try:
        page = int(leaf.fetchone()[0]) - 3
    except sqlite3.Error:
        page = pages(path) - 4
    connection.close()
    spoil(path, page)
    opened = open_journal(path, 1.9e9)
    journal = opened.journal
    assert opened.aside is not None
    entry, _ = journal.resume()
    assert entry.id == 2
    assert [e.verdict for e in journal.soaks()] == [VerdictForm(verdict="tight"), None]
    rows = journal.read_rows(2)
    assert rows is not None
    assert len(rows) > 200
    assert journal.start(ENTRY) == 3


def test_the_number_of_a_soak_that_is_lost_but_for_its_events_is_not_given_again(tmp_path):
    path = tmp_path / "journal.db"
    two_soaks(path)
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM soak WHERE id = 2")
    connection.commit()
    connection.close()
    spoil(path, pages(path) - 4)
    opened = open_journal(path, 1.9e9)
    assert opened.aside is not None
    assert [entry.id for entry in opened.journal.soaks()] == [1]
    assert opened.journal.start(ENTRY) == 3


def test_a_file_that_is_no_database_is_kept_and_old_numbers_are_not_given_again(tmp_path):
    path = tmp_path / "journal.db"
    path.write_text("something else was written here" * 100)
    (tmp_path / "reports" / "soak-7").mkdir(parents=True)
    opened = open_journal(path, 1.9e9)
    assert "not a database" in opened.why
    assert opened.aside.read_text().startswith("something else")
    assert opened.journal.start(ENTRY) == 8
    opened.journal.close()
    assert Journal(path).start(ENTRY) == 9


def test_a_changed_number_in_the_readings_is_found_at_the_start(tmp_path):
    path = tmp_path / "journal.db"
    two_soaks(path)
    connection = sqlite3.connect(path)
    number, data = connection.execute(
        "SELECT id, rows FROM batch WHERE soak = 2 ORDER BY id LIMIT 1"
    ).fetchone()
    spoilt = bytes([data[0] ^ 1]) + data[1:]
    connection.execute("UPDATE batch SET rows = ? WHERE id = ?", (spoilt, number))
    connection.commit()
    connection.close()
    opened = open_journal(path, 1.9e9)
    assert "readings of soak 2" in opened.why
    kept = opened.journal.read_rows(2)
    assert 0 < len(kept) < 300


@pytest.mark.parametrize("step", ["_after_a_crash", "_begin_anew", "_salvage", "_reported"])
@pytest.mark.parametrize("first", [True, False])
def test_the_power_may_go_at_any_step_of_it(tmp_path, monkeypatch, step, first):
    path = tmp_path / "journal.db"
    two_soaks(path)
    spoil(path, pages(path) // 2)
    path.with_name("journal.db-wal").write_bytes(b"a log that belongs to the damaged file")

    class PowerCutError(BaseException):
        pass

    calls = []

    def cut(*given):
        calls.append(given)
        if first or len(calls) > 1 or step != "_after_a_crash":
            raise PowerCutError
        return real(*given)

    real = getattr(damage, step)
    monkeypatch.setattr(damage, step, cut)
    with pytest.raises(PowerCutError):
        open_journal(path, 1.9e9)
    monkeypatch.setattr(damage, step, real)
    opened = open_journal(path, 1.9e9 + 5)
    assert opened.aside is not None
    assert fault_in(opened.journal) == ""
    assert opened.journal.soaks()[0].verdict == VerdictForm(verdict="tight")
    assert len(list(tmp_path.glob("journal.db.damaged-*"))) >= 1


def test_a_clock_that_does_not_know_the_time_overwrites_nothing(tmp_path):
    path = tmp_path / "journal.db"
    for text in ("first", "second", "third"):
        path.write_text(text * 500)
        opened = open_journal(path, 5.0)
        assert opened.aside.read_text().startswith(text)
        opened.journal.start(ENTRY)
        opened.journal.add_event(0.0, 5.0, "note", {})
        opened.journal.close()
    kept = [one.read_text()[:5] for one in sorted(tmp_path.glob("journal.db.damaged-*"))]
    assert kept == ["first", "secon", "third"]


def test_numbers_go_on_beyond_those_of_a_journal_that_was_set_aside_before(tmp_path):
    path = tmp_path / "journal.db"
    last = 0
    for _ in range(2):
        journal = open_journal(path, 5.0).journal
        journal.start(ENTRY)
        journal.add_event(0.0, 5.0, "note", {"text": "x" * 3000})
        assert journal.read_events()[-1].id > last
        last = journal.read_events()[-1].id
        journal.close()
        spoil(path, pages(path) - 1)


def test_another_programs_file_is_left_alone(tmp_path):
    path = tmp_path / "journal.db"
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA application_id = 7")
    connection.execute("CREATE TABLE a (b)")
    connection.close()
    with pytest.raises(InputError, match="another program"):
        open_journal(path, 1.9e9)
    assert path.exists()


def test_a_folder_that_cannot_be_had_is_trouble_that_may_pass(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(TroubleError, match="cannot be opened"):
        open_journal(tmp_path / "file" / "journal.db", 1.9e9)


def test_a_folder_is_held_by_one_only_and_free_again_after(tmp_path):
    held = holding(tmp_path)
    held.__enter__()
    with pytest.raises(TroubleError, match="another soakmon"), holding(tmp_path):
        pass
    held.__exit__(None, None, None)
    with holding(tmp_path):
        pass
