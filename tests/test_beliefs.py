"""Each number of the decider is a belief with unit and reason, and can be tried otherwise."""

from __future__ import annotations

import ast
import subprocess
import sys

import numpy as np
import pytest

from soakmon.watch import cell_states, mass_filter, weep
from tests.belief_list import ROOT, beliefs, is_belief
from tests.belief_vary import varied, varied_column
from tests.beliefs import differences

# Of the reckoning itself: places in a state and in a table, the size of both, what stands for
# minus infinity, what rounding leaves, a share that follows from a walk.
ARITHMETIC = {
    "curve._COLUMNS", "figures._NOISE", "cell_states.OFFSET", "cell_states.TEMP", "spread.PARTS",
    "cell_states.SIZE", "mass_filter._AVERAGED", "normal.NORMAL_95", "renewal._NEVER",
    "row_renewal._NEVER", "row_renewal._TINY", "row_renewal._MOST_LOG",
}  # fmt: skip
WATCH = sorted((ROOT / "soakmon" / "watch").glob("*.py"))


def bare_numbers(text: str) -> list[str]:
    """Names of what a module sets to numbers that are no beliefs, and follow from none."""
    found = []
    for statement in ast.parse(text).body:
        if isinstance(statement, ast.Assign):
            target = statement.targets[0]
        elif isinstance(statement, ast.AnnAssign):
            target = statement.target
        else:
            continue
        if statement.value is not None and _is_bare(statement.value):
            named = [node.id for node in ast.walk(target) if isinstance(node, ast.Name)]
            found.append(named[0])
    return found


def _is_bare(value: ast.expr) -> bool:
    nodes = list(_outside_beliefs(value))
    names = {node.id for node in nodes if isinstance(node, ast.Name)}
    follows = any(name.isupper() for name in names) or any(map(is_belief, nodes))
    numbers = [n for n in nodes if isinstance(n, ast.Constant) and type(n.value) in {int, float}]
    return bool(numbers) and not follows


def _outside_beliefs(node: ast.AST):
    yield node
    if not is_belief(node):
        for child in ast.iter_child_nodes(node):
            yield from _outside_beliefs(child)


@pytest.mark.parametrize("path", WATCH, ids=lambda path: path.stem)
def test_a_number_of_the_decider_is_a_belief(path):
    bare = {f"{path.stem}.{name}" for name in bare_numbers(path.read_text(encoding="utf-8"))}
    assert bare <= ARITHMETIC


def test_bare_numbers_are_found():
    assert bare_numbers("A, _B = 1.0, 2\nC: float = -3.0\nD = {'x': (1, 2)}") == ["A", "C", "D"]
    assert bare_numbers('_A = judgement(1.0, "g")\n_B = 2 * _A\nTEXT = "1"') == []


@pytest.mark.parametrize("name", ["Priors", "Settings"])
def test_defaults_of_what_the_decider_is_told_are_beliefs(name):
    text = (ROOT / "soakmon" / "watch" / "settings.py").read_text(encoding="utf-8")
    (told,) = [n for n in ast.parse(text).body if isinstance(n, ast.ClassDef) and n.name == name]
    fields = [n for n in told.body if isinstance(n, ast.AnnAssign) and n.value is not None]
    assert fields
    assert not [ast.unparse(n.target) for n in fields if type(_literal(n.value)) in {int, float}]


def _literal(value: ast.expr | None) -> object:
    return value.value if isinstance(value, ast.Constant) else None


def test_every_belief_has_a_unit_and_a_reason():
    found = beliefs()
    assert len(found) > 300
    assert not [one.full_name for one in found if not one.why or not all(one.units)]


def test_names_are_told_apart():
    names = [one.full_name for one in beliefs()]
    assert len(set(names)) == len(names)


def test_a_belief_changes_where_it_stands_and_nowhere_else():
    (kink,) = [one for one in beliefs() if one.full_name == "watch.mass_filter._KINK_G"]
    lines = (
        "from tests.belief_vary import change",
        f"change({kink.module!r}, {kink.line}, 0, 2.0)",
        "from soakmon.watch import cell_states, mass_filter, weep",
        "print(mass_filter._KINK_G, cell_states.TOP_UP_SHARE, weep._STRAYS_G)",
    )
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(lines)],
        capture_output=True, text=True, check=True, cwd=ROOT,
    )  # fmt: skip
    told = [float(word) for word in done.stdout.split()]
    assert told == [2 * mass_filter._KINK_G, cell_states.TOP_UP_SHARE, weep._STRAYS_G]


def test_half_and_double():
    assert varied(0.6, "g", 0.5) == 0.3
    assert varied(3, "minutes", 0.5) == 2
    assert varied(1, "minutes", 0.5) == 1
    assert varied(0.5, "chance", 2.0) == pytest.approx(2 / 3)
    assert varied((0.0, 0.2, 1.0), "chance", 2.0) == pytest.approx((0.0, 1 / 3, 1.0))
    assert varied({"a": 1.0, "b": (2.0, 3.0)}, "g", 2.0) == {"a": 2.0, "b": (4.0, 6.0)}
    assert varied((0.5, 0.25), "weight", 2.0) == (0.25, 0.0625)
    assert varied(np.array([1.0, 2.0]), "s", 2.0).tolist() == [2.0, 4.0]
    assert varied(np.array([0.2, 1.0]), "chance", 2.0).tolist() == pytest.approx([1 / 3, 1.0])


def test_one_column_of_a_table():
    table = ((1.0, 0.5), (2.0, 0.25))
    assert varied_column(table, 0, "g", 2.0) == ((2.0, 0.5), (4.0, 0.25))
    assert varied_column(table, 1, "weight", 2.0) == ((1.0, 0.25), (2.0, 0.0625))


def test_what_changed_is_counted():
    night = {
        "verdict": "tight", "alarms": [], "cause": ["no_leak", None], "faults": [],
        "alarm_h": 0.0, "likeliest": 0.9, "leak": 0.0, "could_hide": 1.5,
        "evaporation": 3.0, "provable": 2.0,
    }  # fmt: skip
    woken = {**night, "verdict": "leaking", "alarms": [["weep", 0]], "alarm_h": 5.0, "leak": 4.0}
    changed = differences([night, night], [night, woken])
    assert (changed["verdict"], changed["alarms"], changed["cause"]) == (1, 1, 0)
    assert (changed["leak"], changed["alarm_h"], changed["likeliest"]) == (2.0, 2.5, 0.0)
    assert not any(differences([night], [night]).values())
