"""The commands as a user runs them: exit codes, streams, files."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.cautions import CAUTIONS
from soakmon.records.run_file import write_run

MAIN = "from soakmon.cli import main; main()"


def soakmon(*args: str, cwd: Path | None = None, stdin: bytes = b"") -> subprocess.CompletedProcess:
    command = [sys.executable, "-W", "error::DeprecationWarning:soakmon", "-c", MAIN, *args]
    return subprocess.run(
        command, input=stdin, capture_output=True, cwd=cwd, check=False, timeout=120
    )


# A bench that its owner has measured, with a blank run.
MEASURED = """
[hose]
permeation_g_per_m2_day = 122.0

[priors]
bowls_rel_sd = 0.15
blank_scale = 1.0
"""


@pytest.fixture(scope="module")
def measured(tmp_path_factory) -> str:
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    path.write_text(MEASURED)
    return str(path)


@pytest.fixture(scope="module")
def tight_run(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("run") / "tight.csv"
    write_run(path, simulate(SCENARIOS["dry-rack"], interval_s=10).rows)
    return path


def test_a_rehearsal_ends_in_a_verdict_with_report(tmp_path):
    done = soakmon("rehearse", "gasket-weep", "--report", "out", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr == b""
    told = done.stdout.decode()
    assert told.index("LEAKING") < told.index("Loss") < told.index("Cautions")
    assert "carb 4" in told
    names = {"report.html", "report.pdf", "verdict.json", "readings.csv", "soak.png", "soak.svg"}
    assert {file.name for file in (tmp_path / "out").iterdir()} == names
    verdict = json.loads((tmp_path / "out" / "verdict.json").read_text())
    assert verdict["schema"] == "soakmon.verdict/1"
    assert verdict["verdict"] == "leaking"


def test_replaying_the_readings_of_a_report_gives_the_same_verdict(tmp_path, measured):
    known = ("--json", "--bench", measured)
    first = soakmon("rehearse", "drain-plug-weep", *known, "--report", "out", cwd=tmp_path)
    again = soakmon("replay", "out/readings.csv", *known, cwd=tmp_path)
    assert json.loads(first.stdout) == json.loads(again.stdout)


@pytest.mark.parametrize(("phase", "code"), [((), 0), (("--phase", "soaking"), None)])
def test_json_is_all_that_is_printed(tight_run, measured, phase, code):
    done = soakmon("replay", str(tight_run), "--json", "--bench", measured, *phase)
    verdict = json.loads(done.stdout)
    codes = {"tight": 0, "leaking": 1, "not_proven": 3}
    assert done.returncode == codes[verdict["verdict"]]
    assert code is None or done.returncode == code
    assert done.stderr == b""


def test_a_stricter_criterion_cannot_be_proven(tight_run):
    done = soakmon("replay", str(tight_run), "--json", "--criterion", "0.1")
    assert done.returncode == 3


def test_standard_input_is_read(tight_run, measured):
    done = soakmon("replay", "-", "--bench", measured, stdin=tight_run.read_bytes())
    assert done.returncode == 0


@pytest.mark.parametrize(
    "args",
    [
        ("replay", "none.csv"),
        ("replay",),
        ("rehearse", "no-such-night"),
        ("rehearse", "--hours", "0"),
        ("rehearse", "--nonsense"),
        ("replay", "x.csv", "--phase", "filling"),
        ("replay", "x.csv", "--criterion", "-1"),
        ("bench", "check", "none.toml"),
        ("nonsense",),
    ],
)
def test_bad_usage_is_exit_2_and_says_so(tmp_path, args):
    done = soakmon(*args, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr
    assert b"Traceback" not in done.stderr


def test_zeros_piped_in_are_refused():
    done = soakmon("replay", "-", stdin=bytes(1_000_000))
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1


def test_a_bench_of_other_size_is_refused(tmp_path, tight_run):
    (tmp_path / "bench.toml").write_text("[rack]\ncarbs = 3\n")
    done = soakmon("replay", str(tight_run), "--bench", "bench.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert b"4 drop columns but the bench has rack.carbs = 3" in done.stderr


def test_bench_init_takes_what_the_owner_can_say(tmp_path):
    said = ("--say", "hose.kind=low_permeation", "--say", "rack.vents=measured")
    assert soakmon("bench", "init", *said, cwd=tmp_path).returncode == 0
    text = (tmp_path / "bench.toml").read_text()
    assert 'kind = "low_permeation"' in text
    assert 'vents = "measured"' in text
    assert soakmon("bench", "check", cwd=tmp_path).returncode == 0
    wrong = soakmon("bench", "init", "--force", "--say", "hose.kind=garden", cwd=tmp_path)
    assert wrong.returncode == 2
    assert b"hose.kind: ordinary, low_permeation, clear, unknown" in wrong.stderr


def test_bench_init_and_check(tmp_path):
    assert soakmon("bench", "init", cwd=tmp_path).returncode == 0
    checked = soakmon("bench", "check", cwd=tmp_path)
    assert checked.returncode == 0
    assert b"4 carburettors" in checked.stdout
    again = soakmon("bench", "init", cwd=tmp_path)
    assert again.returncode == 2
    assert b"exists already" in again.stderr
    assert soakmon("bench", "init", "--force", cwd=tmp_path).returncode == 0


def test_list_names_every_scenario():
    told = soakmon("rehearse", "--list").stdout.decode()
    assert all(name in told for name in SCENARIOS)


def test_a_report_folder_that_is_a_file_is_one_clear_line(tmp_path, tight_run):
    (tmp_path / "taken").write_text("")
    done = soakmon("replay", str(tight_run), "--report", "taken", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert done.stdout == b""


def test_the_readme_shows_the_same_cautions():
    readme = " ".join((Path(__file__).parents[2] / "README.md").read_text().split())
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in readme
