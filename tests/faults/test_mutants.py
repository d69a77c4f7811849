"""The faults that are put in on purpose follow the program."""

from __future__ import annotations

import pytest

from tests.faults.mutants import MUTANTS, ROOT, Mutant


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda one: one.name)
def test_its_text_stands_once_in_its_file(mutant: Mutant):
    assert (ROOT / mutant.file).read_text(encoding="utf-8").count(mutant.text) == 1
