"""The example of a whole job, run as it stands; its pages checked by a validator and for access.

All its data is invented and says so.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pypdfium2
import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.chromium import chromium
from tests.desk import Desk

pytestmark = pytest.mark.long

ROOT = Path(__file__).parents[2]
PAGES = ("report/report.html", "exported/index.html", "hostile.html")
HOSTILE = "</title><script>document.title='broken'</script>gnp.\"' & <img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("example") / "job"
    environment = {**os.environ, "SOAKMON": str(Path(sys.executable).parent / "soakmon"),
                   "HOURS": "9", "INTERVAL_S": "10", "SOAKMON_DATABASE": ""}  # fmt: skip
    command = ["bash", str(ROOT / "tests" / "whole_job.sh"), str(folder)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    desk = Desk(folder / "data")
    number = desk("job", "new", "--customer", HOSTILE, "--rack", HOSTILE).out.strip()
    desk("job", "note", number, HOSTILE)
    assert desk("job", "export", number, str(folder / "evil")).code == 0
    shutil.copy(folder / "evil" / "index.html", folder / "hostile.html")
    return folder, done.stdout


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened


def test_the_whole_way_leaves_everything_and_says_it_is_invented(made):
    folder, printed = made
    job = json.loads((folder / "exported" / "job.json").read_text())
    kinds = [one["kind"] for one in job["results"]]
    assert kinds == ["drain", "shots", "float", "rehearsal", "isolation"]
    assert all(check["done_by"] for check in job["checklist"])
    for word in ("in force until", "good", "blank_scale", "LEAKING", "bowls alike", "spread"):
        assert word in printed, word
    document = pypdfium2.PdfDocument(folder / "report" / "report.pdf")
    first = document[0].get_textpage().get_text_range()
    document.close()
    for text in (first, (folder / "exported" / "index.html").read_text()):
        assert "invented" in text
        assert "Müller-Lüdenscheidt" in text
    assert "bottle and hose lose 1.17" in (folder / "report" / "report.html").read_text()
    assert "checklist 10 of 10 done" in (folder / "elsewhere.txt").read_text()


@pytest.mark.parametrize("page", PAGES)
def test_pages_are_valid(made, page):
    tidy = shutil.which("tidy")
    assert tidy is not None, "tidy is missing: bash tests/run brings it"
    checked = subprocess.run(
        [tidy, "-quiet", "-errors", "-utf8", str(made[0] / page)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stderr


@pytest.mark.parametrize("width", [320, 390, 1000])
@pytest.mark.parametrize("page", PAGES)
def test_pages_are_accessible_and_fit(made, browser, page, width):
    opened = browser.new_page(viewport={"width": width, "height": 900})
    opened.goto((made[0] / page).as_uri())
    found = Axe().run(opened)
    wide = opened.evaluate("document.documentElement.scrollWidth")
    title = opened.title()
    opened.close()
    assert found.violations_count == 0, found.generate_report()
    assert wide <= width
    assert title != "broken"


def test_a_page_that_is_not_valid_is_noticed(tmp_path):
    (tmp_path / "bad.html").write_text("<!DOCTYPE html><html lang=en><title>x</title><p><b>a<p><i>")
    done = subprocess.run(
        ["tidy", "-quiet", "-errors", str(tmp_path / "bad.html")], capture_output=True, check=False
    )
    assert done.returncode != 0
