"""The table of single faults in DEVELOPERS.md: no empty cell, and tests that exist."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
COLUMNS = 5


def rows() -> list[list[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = text.partition("## What breaks, and what sees it")[2].partition("\n## ")[0]
    lines = [line for line in part.splitlines() if line.startswith("| ")]
    return [[cell.strip(" `") for cell in line.strip("|").split("|")] for line in lines[1:]]


def test_no_cell_is_empty():
    found = rows()
    assert len(found) > 80
    assert all(len(row) == COLUMNS and all(row) for row in found)


def test_every_fault_is_shown_by_a_test():
    """A path, or a path and a part of a test's name; a folder stands for all that it holds."""
    for row in rows():
        path, _, name = row[-1].partition("::")
        place = ROOT / path
        files = [place] if place.suffix else sorted(place.rglob("test_*.py"))
        assert files, row
        assert all(file.is_file() for file in files), row
        wanted = re.compile(r"def test_\w*" + re.escape(name))
        assert any(wanted.search(file.read_text(encoding="utf-8")) for file in files), row
