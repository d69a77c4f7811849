"""What `README.md` here has to speak of: every formula and constant, read from the sources.

A formula is a public function, or a public method or property of a class; a constant is a module's
name in capitals with a number in it, or a class with numbers as defaults.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
README = Path(__file__).parent / "README.md"
MODULES = {
    path.stem: path
    for path in [
        *sorted((ROOT / "soakmon/physics").glob("[a-z]*.py")),
        *(ROOT / f"soakmon/{name}.py" for name in (
            "weigh/at_rest", "weigh/blank_run", "weigh/calibration", "weigh/counts", "weigh/drain",
            "weigh/float_weigh", "weigh/isolation", "weigh/oiml", "weigh/shots", "weigh/straying",
            "weigh/student", "weigh/uncertainty",
            "capability/bound", "capability/both_bounds", "capability/tables",
            "capability/world_bound",
            "watch/sequential", "watch/trend", "watch/normal",
        )),
    ]
    if path.stem not in {"belief"}
}  # fmt: skip
# How a value is kept or shown, and what only takes a number as it is given.
_PLAIN = {"as_dict", "floats", "restart", "of"}
_NAME = re.compile(r"`([a-z_]+\.[A-Za-z_0-9.]+(?: [0-9.e+-]+)?)`")
CHECK = re.compile(r"`(test_[a-z_]+)::(test_[a-z_0-9]+)`")


def numbers(node: ast.AST) -> list[Any]:
    """The numbers in a piece of source, but 0, 1 and 2, of which formulas are built."""
    return [
        one
        for one in ast.walk(node)
        if isinstance(one, ast.Constant)
        and type(one.value) in {int, float}
        and one.value not in {0, 1, 2}
    ]


def _names(module: str, tree: ast.Module) -> set[str]:
    found: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            found.add(f"{module}.{node.name}")
        elif isinstance(node, ast.ClassDef):
            found |= _of_class(f"{module}.{node.name}", node)
        else:
            found |= {f"{module}.{name}" for name in capitals(node) if numbers(node)}
    return {name for name in found if name.rpartition(".")[2] not in _PLAIN}


def _of_class(name: str, node: ast.ClassDef) -> set[str]:
    methods = [one for one in node.body if isinstance(one, ast.FunctionDef)]
    fields = [one for one in node.body if isinstance(one, ast.AnnAssign)]
    found = {f"{name}.{one.name}" for one in methods if not one.name.startswith("_")}
    return found | ({name} if any(numbers(one) for one in fields) else set())


def capitals(node: ast.stmt) -> list[str]:
    """The names in capitals that a statement of a module sets."""
    targets: list[ast.expr] = []
    if isinstance(node, ast.Assign):
        targets = node.targets
    elif isinstance(node, ast.AnnAssign):
        targets = [node.target]
    named = [one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)]
    return [name for name in named if name.upper() == name]


def formulas() -> set[str]:
    """All that the table has to name, as `module.name`."""
    trees = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}
    return set().union(*(_names(name, tree) for name, tree in trees.items()))


def rows() -> list[list[str]]:
    """The cells of every row of every table in the README."""
    lines = [line for line in README.read_text(encoding="utf-8").splitlines() if line[:3] == "| `"]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def named_in(row: list[str]) -> list[str]:
    """Formulas that a row is about."""
    return _NAME.findall(row[0])


def checks_in(row: list[str]) -> list[tuple[str, str]]:
    """File and name of the tests that a row names."""
    return CHECK.findall(row[-1])


def unheld() -> set[str]:
    """What the README says that nothing outside holds: names, or a name and one of its numbers."""
    return {name for row in rows() if not checks_in(row) for name in named_in(row)}
