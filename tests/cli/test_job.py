"""Commands of the job record, and soaks that belong to a job. All jobs are invented."""

from __future__ import annotations

import json
import re
import time
import zipfile

import pytest
from typer.testing import CliRunner

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.cli.program import app
from soakmon.records.jobs.store import Records
from soakmon.records.run_file import write_run
from tests.desk import Desk


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path / "data")


@pytest.fixture
def number(desk):
    made = desk(
        "job", "new", "--customer", "Łukasz (invented)", "--machine", "[bold]750", "--carbs", "4"
    )  # fmt: skip
    return made.out.strip()


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    path = tmp_path_factory.mktemp("run") / "night.csv"
    write_run(path, simulate(SCENARIOS["gasket-weep"], hours=10, interval_s=10).rows)
    return path


def test_a_correction_says_who_made_it_and_what_stood_there(desk, number):
    desk("job", "note", number, "rail joints greesed", "--by", "A. Erfunden")
    for what, text in (("note.1", "rail joints greased"), ("customer", "Müller (invented)")):
        done = desk("job", "correct", number, what, text, "--by", "B. Inventée")
        assert "what stood there before is kept" in done.out
    desk("job", "carb", number, "2", "bowl_gasket_renewed=no")
    desk("job", "carb", number, "2", "bowl_gasket_renewed=yes", "--by", "B. Inventée")
    shown = desk("job", "show", number).out
    assert "B. Inventée: note 1 text: 'rail joints greesed' is now 'rail joints greased'" in shown
    assert "customer: 'Łukasz (invented)' is now 'Müller (invented)'" in shown
    assert "carb 2 bowl gasket renewed: 'no' is now 'yes'" in shown
    assert (
        "customer, machine, rack, note.2 or file.1" in desk("job", "correct", number, "x", "y").err
    )


def test_a_note_says_who_wrote_it_and_when(desk, number, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Kolkata")
    time.tzset()
    monkeypatch.setenv("LOGNAME", "erna")
    desk("job", "note", number, "by the user", "--carb", "2")
    desk("job", "note", number, "by another", "--by", "A. [b]Erfunden")
    desk("job", "note", number, "by nobody", "--by", "")
    nobody: dict[str, str] = {}
    monkeypatch.setattr("getpass.getuser", lambda: nobody["no such user"])
    desk("job", "note", number, "nameless")
    notes = json.loads(desk("job", "show", number, "--json").out)["notes"]
    assert [note["written_by"] for note in notes] == ["erna", "A. [b]Erfunden", "", ""]
    shown = desk("job", "show", number).out
    for text in (
        "erna: carb 2: by the user",
        "A. [b]Erfunden: by another",
        "by nobody",
        "nameless",
    ):
        # By the shop's clock, and with its zone.
        assert re.search(rf"\d\d:\d\d IST {re.escape(text)}", shown)
    refused = desk("job", "note", number, "x", "--by", "two\nlines")
    assert (refused.code, refused.err.partition(":")[0]) == (2, "by")
    monkeypatch.undo()
    time.tzset()


def test_a_job_from_start_to_export(desk, number, tmp_path):
    assert re.fullmatch(r"\d{4}-0001", number)
    picture = tmp_path / "bowl.png"
    picture.write_bytes(b"\x89PNG invented")
    assert desk("job", "note", number, "gasket fought back", "--carb", "2").code == 0
    assert desk("job", "note", number, "-", stdin="from a file\n").code == 0
    told = desk(
        "job", "carb", number, "2", "jet.main=105", "float_height_mm=24", "needle_seat_renewed=no"
    )
    assert "main 105" in told.out
    desk("job", "carb", number, "2", "float_height_low_mm=21", "float_height_high_mm=23")
    assert "☑  3" in desk("job", "check", number, "3", "--by", "A. Erfunden").out
    assert "11 polish" in desk("job", "check", number, "--add", "polish").out
    assert "☐  3" in desk("job", "check", number, "3", "--undo").out
    assert "SHA-256" in desk("job", "attach", number, str(picture), "--caption", "before").out
    shown = desk("job", "show", number).out
    for word in ("Łukasz (invented)", "[bold]750", "gasket fought back", "from a file", "bowl.png",
                 "FLOAT HEIGHT OUTSIDE ITS LIMITS", "checklist 0 of 11"):  # fmt: skip
        assert word in shown
    assert json.loads(desk("job", "show", number, "--json").out)["number"] == number
    assert number in desk("job", "list", "łukasz").out
    assert json.loads(desk("job", "list", "nobody", "--json").out) == []
    out = tmp_path / "out.zip"
    assert desk("job", "export", number, str(out)).code == 0
    assert "index.html" in zipfile.ZipFile(out).namelist()
    elsewhere = Desk(tmp_path / "elsewhere")
    assert elsewhere("job", "import", str(out)).out.strip() == number
    assert "exists already" in elsewhere("job", "import", str(out)).err
    assert elsewhere("job", "import", str(out), "--as-new").out.strip().endswith("-0002")
    assert "gasket fought back" in elsewhere("job", "show", number).out


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("job", "show", "2026-9999"), "there is no job"),
        (("job", "carb", "NUMBER", "5"), "1 to 4"),
        (("job", "carb", "NUMBER", "1", "x=1"), "a carburettor has no such field"),
        (("job", "check", "NUMBER", "1"), "--by"),
        (("job", "check", "NUMBER", "1", "--add", "x"), "either"),
        (("job", "attach", "NUMBER", "none.png"), "cannot be read"),
        (("job", "note", "NUMBER", " "), "empty"),
        (("job", "new", "--customer", "x", "--carbs", "9"), "1 to 8"),
        (("job", "new", "--customer", " "), "customer"),
        (("job", "import", "none.zip"), "cannot be read"),
        (("restore", "none.tgz"), "not empty"),
        (("replay", "x.csv", "--paper", "a3"), "cannot be read|a4 or letter"),
    ],
)
def test_what_cannot_be_is_one_line_and_exit_2(desk, number, args, says):
    done = desk(*(number if arg == "NUMBER" else arg for arg in args))
    assert done.code == 2
    assert re.search(says, done.err)
    assert "\n" not in done.err


def test_without_records_it_says_how_to_begin(desk):
    done = desk("job", "list")
    assert done.code == 2
    assert "soakmon job new" in done.err
    assert not desk.folder.exists()


def test_a_replay_gives_its_job_verdict_and_report(desk, number, run, tmp_path):
    desk("job", "note", number, "gasket fought back", "--carb", "4")
    (tmp_path / "bench.toml").write_text("[bottle]\nfill_ml = 450\n")
    with_job = desk(
        "replay", str(run), "--job", number, "--report", str(tmp_path / "r"), "--date",
        "2026-03-01", "--bench", str(tmp_path / "bench.toml"), "--paper", "letter",
    )  # fmt: skip
    assert with_job.code == 1
    assert "The job record shifted the odds of causes at carb 4" in with_job.out
    job = json.loads(desk("job", "show", number, "--json").out)
    (result,) = job["results"]
    assert result["kind"] == "soak"
    assert result["at"].startswith("2026-03-01")
    assert result["data"]["verdict"]["verdict"] == "leaking"
    assert result["data"]["bench_toml"] == "[bottle]\nfill_ml = 450.0\n"
    kept = {one["name"]: one for one in job["attachments"]}
    assert set(kept) == {p.name for p in (tmp_path / "r").iterdir()}
    assert all(one["result"] == 1 for one in kept.values())
    with Records(desk.folder) as records:
        pdf = records.files.check(kept["report.pdf"]["sha256"]).read_bytes()
    assert pdf == (tmp_path / "r" / "report.pdf").read_bytes()
    page = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert "trouble with the bowl" in page
    assert "Łukasz (invented)" in page


def test_the_record_shifts_the_ranking_and_not_the_leak(desk, number, run):
    def verdict(*args):
        return json.loads(desk("replay", str(run), "--json", *args).out)

    def chance(said):
        return {s["cause"]: s["probability"] for s in said["suspects"]}["bowl_joint_weep"]

    plain = verdict()
    desk("job", "note", number, "gasket fought back", "--carb", "4")
    told = verdict("--job", number)
    assert chance(told) > chance(plain) + 0.02
    for same in ("verdict", "reason", "leak_g_per_h", "smallest_provable_leak_g_per_h", "alarms"):
        assert told[same] == plain[same]


def test_a_rehearsal_is_kept_as_invented(desk, number):
    done = desk("rehearse", "dry-rack", "--hours", "3", "--interval-s", "10", "--job", number)
    assert done.code in {0, 3}
    (result,) = json.loads(desk("job", "show", number, "--json").out)["results"]
    assert result["kind"] == "rehearsal"
    assert "invented" in result["summary"]


def test_the_wrong_job_is_refused(desk, run):
    number = desk("job", "new", "--customer", "invented", "--carbs", "2").out.strip()
    done = desk("replay", str(run), "--job", number)
    assert done.code == 2
    assert "has 2 carburettors but the run has 4 gates" in done.err
    assert desk("replay", str(run), "--job", "2026-7777").code == 2


def test_a_server_is_not_backed_up_as_a_folder(desk, number, tmp_path):
    environment = {"SOAKMON_DATABASE": "postgresql://nowhere/x", "SOAKMON_DATA": str(desk.folder)}
    result = CliRunner().invoke(app, ["backup", str(tmp_path / "b.tgz")], env=environment)
    assert "its own tools" in str(result.exception)
    assert not (tmp_path / "b.tgz").exists()


def test_backup_and_restore(desk, number, tmp_path):
    assert desk("backup", str(tmp_path / "b.tgz")).code == 0
    fresh = Desk(tmp_path / "fresh")
    assert fresh("restore", str(tmp_path / "b.tgz")).code == 0
    assert number in fresh("job", "list").out
