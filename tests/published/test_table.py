"""The tables of `README.md`: nothing missing, and nothing named that is not there."""

from __future__ import annotations

import ast
from pathlib import Path

from tests.published.formulas import CHECK, MODULES, README, checks_in, formulas, named_in, rows

HERE = Path(__file__).parent
# Common practice without a source, and this file.
APART = {"test_trade", "test_table"}


def checks_here() -> set[tuple[str, str]]:
    return {
        (path.stem, node.name)
        for path in HERE.glob("test_*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


def names_there() -> set[str]:
    """Every name that a module, or a class in one, binds."""
    found = set()
    for module, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Name):
                found.add(f"{module}.{node.id}")
            elif isinstance(node, ast.ClassDef):
                found.add(f"{module}.{node.name}")
                found |= {f"{module}.{node.name}.{one.name}" for one in node.body
                          if isinstance(one, ast.FunctionDef)}  # fmt: skip
            elif isinstance(node, ast.FunctionDef):
                found.add(f"{module}.{node.name}")
    return found


def test_every_formula_and_constant_is_in_a_table():
    named = {name.partition(" ")[0] for row in rows() for name in named_in(row)}
    assert formulas() - named == set()


def test_what_a_table_names_is_there():
    named = {name.partition(" ")[0] for row in rows() for name in named_in(row)}
    assert named - names_there() == set()


def test_every_check_is_named_and_every_name_is_a_check():
    named = set(CHECK.findall(README.read_text(encoding="utf-8")))
    assert named == {one for one in checks_here() if one[0] not in APART}


def test_no_cell_is_empty():
    assert all(len(row) == (5 if checks_in(row) else 2) and all(row) for row in rows())
    assert all(named_in(row) for row in rows())
