"""Finds the beliefs in the source of the product: where each stands, its value, unit and reason."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGES = ("soakmon/physics", "soakmon/watch")
KINDS = ("published", "measured", "judgement", "effort")


@dataclass(frozen=True, slots=True)
class Belief:
    """A number with its place: module and line of the call; kind: one of `KINDS`.

    units: of each column, one for what is no table.
    """

    module: str
    line: int
    name: str
    kind: str
    value: str
    units: tuple[str, ...]
    why: str

    @property
    def full_name(self) -> str:
        """Name with the module, as it is looked for."""
        return f"{self.module.removeprefix('soakmon.')}.{self.name}"


def beliefs() -> list[Belief]:
    """All beliefs of physics and decider."""
    paths = [path for package in PACKAGES for path in sorted((ROOT / package).glob("*.py"))]
    return [belief for path in paths for belief in beliefs_of(path)]


def beliefs_of(path: Path) -> Iterator[Belief]:
    """The beliefs of one module, from above."""
    text = path.read_text(encoding="utf-8")
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    tree = ast.parse(text)
    for statement in tree.body:
        of_class = isinstance(statement, ast.ClassDef)
        inside = statement.body if isinstance(statement, ast.ClassDef) else [statement]
        for one in inside:
            why = ast.get_docstring(statement) if of_class else comment_above(text, one.lineno)
            for call, name in _calls(one):
                value, unit = call.args
                units = [str(ast.literal_eval(u)) for u in getattr(unit, "elts", [unit])]
                kind = call.func.id if isinstance(call.func, ast.Name) else ""
                shown = " ".join((ast.get_source_segment(text, value) or "").split())
                yield Belief(module, call.lineno, name, kind, shown, tuple(units), why or "")


def is_belief(node: ast.AST) -> bool:
    """Whether a node of the source is the call that marks a belief."""
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in KINDS


def comment_above(text: str, line: int) -> str:
    """The comment above a line of a block of statements that belong together; "" for none."""
    lines = text.splitlines()
    place = line - 2
    while place >= 0 and lines[place].strip() and not lines[place].startswith("#"):
        place -= 1
    end = place
    while place >= 0 and lines[place].startswith("#"):
        place -= 1
    return " ".join(part.lstrip("# ") for part in lines[place + 1 : end + 1])


def _calls(statement: ast.stmt) -> Iterator[tuple[ast.Call, str]]:
    """Belief calls of a statement, each with a name: its target, numbered where it has several."""
    if isinstance(statement, ast.Assign):
        target = ast.unparse(statement.targets[0])
    elif isinstance(statement, ast.AnnAssign):
        target = ast.unparse(statement.target)
    else:
        return
    found = [node for node in ast.walk(statement) if is_belief(node)]
    for number, call in enumerate(found, start=1):
        assert isinstance(call, ast.Call)
        yield call, target if len(found) == 1 else f"{target}[{number}]"
