"""What the commands print: whatever was said to the bench, the terminal only shows it."""

from __future__ import annotations

import io
import logging
from pathlib import Path

import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench.bench_status import BenchStatus
from soakmon.cli.status_output import show_status
from soakmon.cli.terminal import Terminal, plain_logs
from tests.bench.stepping import Stepped, short

HOSTILE = (
    "a\x1b]8;;http://evil.example\x07click\x1b]8;;\x07[/b][bold]:smile:\x9b2J\u202eb\r\nok\ud800"
)
STEERING = ("\x1b", "\x07", "\x9b", "\u202e", "\r", "\ud800")


def printed(what):
    terminal = Terminal()
    terminal.file = io.StringIO()
    terminal.width = 200
    terminal.print(what)
    return terminal.file.getvalue()


def test_nothing_steers_the_terminal_or_is_taken_for_markup():
    verdict = {"verdict": "leaking", "reason": HOSTILE}
    alarm = {"t_s": 1.0, "kind": "weep", "carb": None, "leak_g_per_h": None, "text": HOSTILE}
    check = {"name": HOSTILE, "passed": False, "text": HOSTILE}
    status = {
        "bench": HOSTILE, "verdict": verdict, "alarms": [alarm],
        "checks": [check], "cell_trouble": HOSTILE, "reason": HOSTILE,
    }  # fmt: skip
    found = BenchStatus.model_validate(status)
    for what in (show_status(found), HOSTILE, show_status(found.but(verdict=None))):
        shown = printed(what)
        assert not [code for code in STEERING if code in shown]
        assert "[/b][bold]:smile:" in shown
        assert "‹U+001B›" in shown


def test_log_lines_are_plain_too(monkeypatch, capsys):
    monkeypatch.setattr(logging.root, "handlers", [])
    plain_logs()
    logging.getLogger("soakmon.invented").warning("the broker says: %s", HOSTILE)
    shown = capsys.readouterr().err
    assert "click" in shown
    assert not [code for code in STEERING if code in shown]


def test_every_command_prints_on_it():
    """A console of another kind would take what it is given for markup."""
    folder = Path(__file__).parents[2] / "soakmon"
    others = [path.name for path in folder.rglob("*.py") if "Console(" in path.read_text("utf-8")]
    assert others == []


@pytest.mark.parametrize("command", ["isolate", "end"])
def test_a_reason_is_kept_clean_and_never_keeps_a_command_from_being_done(tmp_path, command):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(2), every_s=2.0)
    bench.service.commands.start_soak("invented rack", None, cautions_confirmed=True)
    bench.run(0.5)
    getattr(bench.service.commands, command)(HOSTILE + "x" * 1000)
    bench.run(0.02)
    said = "".join(str(event.data) for event in bench.journal.read_events(1))
    assert "click" in said
    assert not [code for code in STEERING if code in said]
    assert all(len(str(e.data.get("reason", ""))) <= 500 for e in bench.journal.read_events(1))
    bench.journal.close()


def test_unproven_is_a_verdict_of_the_end_and_no_alarm_of_the_first_hour():
    verdict = {"verdict": "not_proven", "reason": "less was lost than any rack loses"}
    running = BenchStatus(phase="soaking", soak=1, verdict=verdict)
    said = printed(show_status(running))
    assert "NO LEAK SEEN so far" in said
    assert "NOT PROVEN" not in said
    assert "less was lost" not in said
    ended = printed(show_status(running.but(phase="ended")))
    assert "NOT PROVEN" in ended
    assert "less was lost than any rack loses" in ended
    assert "no soak running" in printed(show_status(BenchStatus(phase="idle")))


def test_that_nobody_is_told_is_said_once():
    check = {"name": "phone", "passed": False, "text": "NOBODY WILL BE TOLD", "warning": True}
    found = BenchStatus(phase="soaking", soak=1, untold="off in bench.toml", checks=[check])
    assert printed(show_status(found)).lower().count("nobody") == 1


def test_time_is_left_only_while_it_runs():
    found = BenchStatus.model_validate(
        {"bench": "invented", "soak": 1, "phase": "soaking", "soaked_s": 3600.0, "left_s": 7200.0}
    )
    assert "1:00 h, 2:00 h left" in printed(show_status(found))
    ended = printed(show_status(found.but(phase="ended")))
    assert "1:00 h" in ended
    assert "left" not in ended
