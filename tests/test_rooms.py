"""The README of a room: what it names by file or function is there, and no module is left out."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PROGRAM = ROOT / "soakmon"
ROOMS = ("physics", "watch", "bench", "records", "reach", "capability")
LONGEST = {"physics": 150, "watch": 260, "reach": 170}
FILE = re.compile(r"[\w./-]+\.(?:py|toml|md|sql)")
NAME = re.compile(r"[A-Za-z_]\w*(?:\.[A-Za-z_]\w*)+")


def text_of(room: str) -> str:
    return (PROGRAM / room / "README.md").read_text(encoding="utf-8")


def quoted(room: str) -> list[str]:
    """What stands between backticks, but for blocks of code and equations."""
    plain = re.sub(r"```.*?```|\$`.*?`\$", "", text_of(room), flags=re.DOTALL)
    return re.findall(r"`([^`\n]+)`", plain)


def is_file(room: str, name: str) -> bool:
    places = (PROGRAM / room, PROGRAM, ROOT)
    return any((place / name).is_file() for place in places)


def names_of(body: list[ast.stmt]) -> dict[str, ast.stmt]:
    """Names that a module or a class gives something, methods' own `self.name` among them."""
    found: dict[str, ast.stmt] = {}
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            found[node.name] = node
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for target in targets:
                found |= {one.id: node for one in ast.walk(target) if isinstance(one, ast.Name)}
        if isinstance(node, ast.FunctionDef):
            for part in ast.walk(node):
                if isinstance(part, ast.Attribute) and isinstance(part.ctx, ast.Store):
                    found.setdefault(part.attr, node)
    return found


@cache
def module(path: Path) -> dict[str, ast.stmt]:
    return names_of(ast.parse(path.read_text(encoding="utf-8")).body)


def is_name(room: str, name: str) -> bool:
    """`module.function`, `module.Class.member` or `room.module.function`; `tests.module` as well.

    A module is looked for in the room first, then in its folders, then as a path of the program.
    """
    first, *rest = name.split(".")
    for place in (PROGRAM / room, PROGRAM, ROOT):
        folder, parts, last = place, rest, first
        while (folder / last).is_dir() and parts:
            folder, last, parts = folder / last, parts[0], parts[1:]
        if (folder / f"{last}.py").is_file():
            return holds(module(folder / f"{last}.py"), parts)
        if (folder / last / "__init__.py").is_file() and not parts:
            return True
    return False


def holds(names: dict[str, ast.stmt], parts: list[str]) -> bool:
    if not parts:
        return True
    node = names.get(parts[0])
    if node is None or len(parts) == 1:
        return node is not None
    return isinstance(node, ast.ClassDef) and holds(names_of(node.body), parts[1:])


@pytest.mark.parametrize("room", ROOMS)
def test_what_a_readme_names_is_there(room):
    missing = [
        name
        for name in quoted(room)
        if (FILE.fullmatch(name) and not is_file(room, name))
        or (NAME.fullmatch(name) and not FILE.fullmatch(name) and not is_name(room, name))
    ]
    assert missing == []
    assert sum(bool(NAME.fullmatch(name)) for name in quoted(room)) > 20


@pytest.mark.parametrize("room", ROOMS)
def test_no_module_of_a_room_is_left_out(room):
    modules = {path.stem for path in (PROGRAM / room).glob("*.py")} - {"__init__"}
    named = {part for name in quoted(room) for part in re.findall(r"\w+", name)}
    assert modules - named == set()


@pytest.mark.parametrize("room", ROOMS)
def test_a_readme_is_read_in_one_sitting(room):
    assert len(text_of(room).splitlines()) <= LONGEST.get(room, 80)


def test_a_name_that_is_not_there_is_noticed():
    assert is_name("watch", "weep.Weep.gate_ratio")
    assert is_name("watch", "budget.Budget.running")
    assert is_name("watch", "physics.drops.drop_mass_g")
    assert not is_name("watch", "weep.Weep.gate_rate")
    assert not is_name("watch", "wept.Weep")
    assert not is_file("watch", "wept.py")
