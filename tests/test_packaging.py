"""What is installed: extras named once, nothing of the tests, one line for a missing library."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from soakmon import __version__
from soakmon.extras import EXTRAS, to_install

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
# Loads the program as if these libraries were not there.
WITHOUT = """
import sys
from importlib.abc import MetaPathFinder
import importlib.util
gone = set(sys.argv.pop(1).split(","))
class Gone(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in gone:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return None
sys.meta_path.insert(0, Gone())
plain = importlib.util.find_spec
importlib.util.find_spec = lambda name, package=None: None if name in gone else plain(name, package)
from soakmon.cli import main
main()
"""
OPTIONAL = sorted({one for name, libraries in EXTRAS.items() for one in libraries})


def without(libraries: list[str], *args: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", WITHOUT, ",".join(libraries), *args]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )


def test_a_bench_without_extras_judges_a_night_and_writes_what_it_can(tmp_path):
    night = ("rehearse", "needle-stuck-open", "--hours", "1", "--interval-s", "10")
    done = without(OPTIONAL, *night, "--report", "out", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    made = {file.name for file in (tmp_path / "out").iterdir()}
    assert made == {"report.html", "verdict.json", "readings.csv"}
    assert "<img" not in (tmp_path / "out" / "report.html").read_text()


def test_what_needs_an_extra_says_which_in_one_line(tmp_path):
    (tmp_path / "soakmon-data").mkdir()
    done = without(OPTIONAL, "page", "account", "anna", "--password", "long enough", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr == "soakmon: argon2 is not installed: pip install 'soakmon[page]'\n"


def test_every_library_has_its_extra_and_a_line():
    named = PROJECT["project"]["optional-dependencies"]
    assert set(EXTRAS) <= set(named)
    assert named["all"] == ["soakmon[report,page,mqtt,influx,phone]"]
    for extra, libraries in EXTRAS.items():
        for library in libraries:
            assert f"soakmon[{extra}]" in to_install(ModuleNotFoundError(name=library))
    assert "again" in to_install(ModuleNotFoundError(name="numpy"))


@pytest.mark.parametrize("extra", ["report", "page", "mqtt", "influx", "phone"])
def test_no_library_of_an_extra_is_asked_of_everybody(extra):
    plain = {re.split(r"[<>=]", one)[0] for one in PROJECT["project"]["dependencies"]}
    wanted = PROJECT["project"]["optional-dependencies"][extra]
    assert not plain & {re.split(r"[<>=]", one)[0] for one in wanted}


def test_the_version_stands_in_one_place():
    assert "version" not in PROJECT["project"]
    assert PROJECT["project"]["dynamic"] == ["version"]
    text = (ROOT / PROJECT["tool"]["hatch"]["version"]["path"]).read_text(encoding="utf-8")
    assert f'"{__version__}"' in text


def test_no_mock_of_a_chip_is_installed():
    packages = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    for package in packages:
        for path in (ROOT / package).rglob("*.py"):
            assert "pins.mock" not in path.read_text(encoding="utf-8"), path


def test_a_source_archive_has_no_tests_and_so_no_mock_either():
    left_out = PROJECT["tool"]["hatch"]["build"]["targets"]["sdist"]["exclude"]
    assert "/tests" in left_out
    outside = {path.relative_to(ROOT).parts[0] for path in ROOT.glob("*/**/*.py") if _mocks(path)}
    assert outside <= {"tests", ".venv"}
    assert "tests" in outside


def _mocks(path: Path) -> bool:
    return "gpiozero.pins.mock" in path.read_text(encoding="utf-8", errors="replace")


def test_a_release_names_the_version_of_all_that_everybody_installs():
    pinned = dict(
        line.split("==") for line in (ROOT / ".ci" / "constraints.txt").read_text().splitlines()
    )
    extras = PROJECT["project"]["optional-dependencies"]
    wanted = [*PROJECT["project"]["dependencies"], *extras["report"], *extras["page"]]
    assert {re.split(r"[<>=]", one)[0].lower() for one in wanted} - set(pinned) == set()
