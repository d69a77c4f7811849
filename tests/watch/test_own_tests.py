"""A number that changes fails beside its name: each module has tests of its own."""

from __future__ import annotations

from pathlib import Path

from soakmon import watch

# Words, and no number.
WITHOUT = {"__init__", "phase"}


def test_every_module_has_tests_of_its_own():
    modules = {path.stem for path in Path(watch.__file__).parent.glob("*.py")}
    tested = {path.stem.removeprefix("test_") for path in Path(__file__).parent.glob("test_*.py")}
    assert modules - tested == WITHOUT
