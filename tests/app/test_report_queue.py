"""Reports that are owed are made, one after the other, until they are."""

from __future__ import annotations

import os
import subprocess

import pytest

from soakmon.app import report_soak
from soakmon.app.report_queue import ReportQueue
from soakmon.records.holding import holding
from soakmon.records.journal import Journal
from soakmon.records.verdict_form import VerdictForm
from soakmon.report.files import file_names
from tests.desk import Desk
from tests.records.rows import ENTRY, anchor, row


class Made:
    """Takes the place of a process: code is None while it runs."""

    def __init__(self, command):
        self.command, self.code, self.pid = command, None, 0
        self.soak = int(command[4])

    def poll(self):
        return self.code

    def kill(self):
        self.code = -9

    def wait(self, seconds):
        return self.code


class Shop:
    """Reports with a clock and processes that are moved by hand."""

    def __init__(self, folder, monkeypatch):
        self.made: list[Made] = []
        self.now_s = 0.0
        self.reports = ReportQueue(folder, lambda: self.now_s)
        monkeypatch.setattr(os, "setpriority", lambda *_: None)
        monkeypatch.setattr(subprocess, "Popen", self.begin)

    def begin(self, command, **_):
        self.made.append(Made(command))
        return self.made[-1]

    def pass_s(self, seconds: float) -> list[int]:
        """Let time pass; the soaks whose reports were begun so far."""
        for _ in range(round(seconds)):
            self.now_s += 1.0
            self.reports.step()
        return [one.soak for one in self.made]


@pytest.fixture
def shop(tmp_path, monkeypatch):
    return Shop(tmp_path, monkeypatch)


def ended(folder, soaks: int, rows: int = 5) -> Journal:
    journal = Journal(folder / "journal.db")
    for _ in range(soaks):
        journal.start(ENTRY)
        for t_s in range(rows):
            journal.add_rows(row(t_s), anchor(t_s))
        journal.finish(10.0, VerdictForm.model_validate(VERDICT))
    return journal


VERDICT = {
    "schema": "soakmon.verdict/1", "verdict": "not_proven", "reason": "ended early",
    "duration_s": 10.0, "observed_loss_g": None,
    "expected_evaporation_g": {"best": 0.0, "low": 0.0, "high": 0.0},
    "leak_g_per_h": {"best": 0.0, "low": 0.0, "high": 0.0},
    "smallest_provable_leak_g_per_h": None, "drops": [0, 0, 0, 0], "alarms": [],
    "suspects": [], "faults": [],
}  # fmt: skip


def test_all_that_is_owed_is_made_one_at_a_time(shop, tmp_path):
    journal = ended(tmp_path, 3)
    assert shop.pass_s(5) == [1]
    for soak in (1, 2, 3):
        assert shop.reports.state(soak) == "making"
        journal.owe(soak, owed=False)
        shop.made[-1].code = 3
        shop.pass_s(70)
    assert [one.soak for one in shop.made] == [1, 2, 3]


def test_what_is_asked_for_while_another_is_made_waits_for_its_turn(shop, tmp_path):
    shop.reports.make(4)
    shop.reports.make(5)
    shop.reports.make(5)
    assert shop.pass_s(5) == [4]
    assert shop.reports.state(5) == "making"
    shop.made[-1].code = 0
    assert shop.pass_s(5) == [4, 5]
    shop.made[-1].code = 2
    shop.pass_s(1)
    assert shop.reports.state(5) == "failed"


def test_what_fails_is_tried_again_later_and_later_and_keeps_no_other_waiting(shop, tmp_path):
    journal = ended(tmp_path, 2)
    told = []
    shop.reports.troubled = told.append
    shop.pass_s(1)
    for _ in range(4000):
        for one in shop.made:
            one.code = 2 if one.soak == 1 else 0
        if [one for one in shop.made if one.soak == 2]:
            journal.owe(2, owed=False)
        shop.pass_s(1)
    tried = [one.soak for one in shop.made]
    assert tried[:2] == [1, 2]
    assert tried.count(2) == 1
    assert 4 <= tried.count(1) <= 7
    # Once, however often it is tried.
    assert [text.partition(" cannot be made")[0] for text in told] == ["the report of soak 1"]


def test_one_that_hangs_is_ended_and_tried_again(shop, tmp_path):
    ended(tmp_path, 1)
    shop.pass_s(1000)
    assert shop.made[0].code == -9
    assert len(shop.made) == 2


def test_a_process_that_cannot_begin_is_a_failure_that_passes(shop, tmp_path, monkeypatch):
    ended(tmp_path, 1)

    def none(*_, **__):
        raise OSError("no memory")

    monkeypatch.setattr(subprocess, "Popen", none)
    shop.pass_s(2)
    assert shop.reports.state(1) == "failed"
    monkeypatch.setattr(subprocess, "Popen", shop.begin)
    assert shop.pass_s(120) == [1]


def test_a_soak_that_has_just_ended_is_seen_at_once(shop, tmp_path):
    shop.pass_s(5)
    ended(tmp_path, 1)
    assert shop.pass_s(5) == []
    shop.reports.wake(1)
    assert shop.pass_s(1) == [1]


@pytest.mark.parametrize("rows", [0, 1])
def test_a_soak_that_saw_nothing_has_its_report_and_owes_nothing_more(tmp_path, rows):
    journal = ended(tmp_path, 1, rows)
    done = Desk(tmp_path)("report", "1")
    assert done.code == 3
    assert all((tmp_path / "reports" / "soak-1" / name).is_file() for name in file_names())
    assert journal.owed() == []


def test_two_reports_are_never_made_at_once(tmp_path, monkeypatch):
    journal = ended(tmp_path, 1)
    monkeypatch.setattr(report_soak, "_WAITS_S", 0.3)
    with holding(tmp_path, name="report.lock"):
        assert "another report is being made" in Desk(tmp_path)("report", "1").err
    assert journal.owed() == [1]
    assert Desk(tmp_path)("report", "1").code == 3
    assert journal.owed() == []


def test_a_report_elsewhere_leaves_what_is_owed(tmp_path):
    journal = ended(tmp_path, 1)
    assert Desk(tmp_path)("report", "1", "--report", str(tmp_path / "copy")).code == 3
    assert journal.owed() == [1]


def test_a_job_that_is_gone_leaves_it_owed(tmp_path):
    journal = ended(tmp_path, 1)
    journal.connection.execute("UPDATE soak SET job = '2026-0001'")
    done = Desk(tmp_path)("report", "1")
    assert done.code == 2
    assert "not kept in the records" in done.err
    assert journal.owed() == [1]
