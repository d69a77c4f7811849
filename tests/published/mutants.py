"""Whether the published checks notice a wrong constant: each number changed by 30 %, up and down.

python -m tests.published.mutants [--only PATTERN] [--processes N]

Of every formula that `README.md` here speaks of, each number but 0, 1 and 2 is changed in turn, and
the tests that the rows of its module name are run (nothing is written: the changed module lives in
a process of its own). A number survives when they pass; it must then stand in the README among
those that nothing outside holds, with the reason. Exit code 1 when one does not.

--only: places that hold the pattern (a regular expression), such as `drops` or `END_CORRECTION`.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import importlib.util
import multiprocessing
import os
import re
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType
from typing import NamedTuple

import hypothesis
import pytest

from tests.published.formulas import (
    MODULES,
    ROOT,
    capitals,
    checks_in,
    named_in,
    numbers,
    rows,
    unheld,
)

FACTORS = (0.7, 1.3)
LONGEST_S = 60.0
# What takes long to load, loaded once for all processes.
LIBRARIES = (
    "chemicals.interface", "chemicals.vapor_pressure", "chemicals.viscosity", "fluids.core",
    "scipy.integrate", "scipy.stats", "statsmodels.api", "uncertainties",
)  # fmt: skip


class Mutant(NamedTuple):
    """One number: its module, the name it belongs to, which one of the module's, and times what."""

    module: str
    name: str
    number: int
    value: float
    factor: float

    @property
    def place(self) -> str:
        return f"{self.module}.{self.name}"


def mutants() -> Iterator[Mutant]:
    """Every number of every module, twice."""
    for module, path in MODULES.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        owner = {id(one): name for name, node in _parts(tree) for one in numbers(node)}
        for number, one in enumerate(numbers(tree)):
            for factor in FACTORS:
                yield Mutant(module, owner[id(one)], number, one.value, factor)


def _parts(tree: ast.Module) -> Iterator[tuple[str, ast.AST]]:
    """Names and what belongs to them; of a class its methods come last, so that they count."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield node.name, node
        elif isinstance(node, ast.ClassDef):
            yield node.name, node
            yield from ((f"{node.name}.{one.name}", one) for one in node.body
                        if isinstance(one, ast.FunctionDef))  # fmt: skip
        else:
            yield (capitals(node) or ["-"])[0], node


class _Changed(SourceFileLoader):
    """Loads a module with one of its numbers changed."""

    def __init__(self, fullname: str, path: str, mutant: Mutant) -> None:
        super().__init__(fullname, path)
        self.mutant = mutant

    def get_code(self, fullname: str) -> CodeType:
        tree = ast.parse(Path(self.path).read_text(encoding="utf-8"))
        one = numbers(tree)[self.mutant.number]
        changed = one.value * self.mutant.factor
        # A count moves by one at least.
        whole = round(changed) if round(changed) != one.value else one.value + 1
        one.value = changed if isinstance(one.value, float) else whole
        return compile(tree, self.path, "exec")


class _Finder:
    """Puts the changed module in the place of the one it is a copy of."""

    def __init__(self, mutant: Mutant) -> None:
        self.mutant, self.path = mutant, MODULES[mutant.module]
        self.fullname = ".".join(self.path.relative_to(ROOT).with_suffix("").parts)

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != self.fullname:
            return None
        loader = _Changed(fullname, str(self.path), self.mutant)
        return importlib.util.spec_from_file_location(fullname, self.path, loader=loader)


def survives(mutant: Mutant | None, tests: list[str]) -> bool:
    """Whether these tests pass all the same; in a process that has loaded nothing of soakmon.

    A constant with which they never end is noticed.
    """
    if not tests:
        return True
    if mutant is not None:
        sys.meta_path.insert(0, _Finder(mutant))
    signal.signal(signal.SIGVTALRM, _too_long)
    signal.setitimer(signal.ITIMER_VIRTUAL, LONGEST_S)
    hypothesis.settings.register_profile("mutants", deadline=None, derandomize=True)
    hypothesis.settings.load_profile("mutants")
    # Plugins and settings of the project's other tests would take longer than these tests.
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    asked = ["-x", "-q", "-c", os.devnull, f"--rootdir={ROOT}", "-p", "no:cacheprovider", *tests]
    with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
        code = pytest.main(asked)
    if code not in {pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED}:
        raise RuntimeError(f"pytest ended with {code!r} on {mutant}")
    return code == pytest.ExitCode.OK


def _too_long(*_: object) -> None:
    raise TimeoutError(f"more than {LONGEST_S} s of work")


def _survives(asked: tuple[Mutant | None, list[str]]) -> bool:
    return survives(*asked)


def checks_of(module: str) -> list[str]:
    """The tests that the rows about a module name."""
    found = {
        f"tests/published/{file}.py::{test}": None
        for row in rows()
        if any(name.split(".")[0] == module for name in named_in(row))
        for file, test in checks_in(row)
    }
    return list(found)


def main() -> int:
    """Print what became of every number; 1 when one survives that the README does not name."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    asked = parser.parse_args()
    chosen = [one for one in mutants() if re.search(asked.only, one.place)]
    everything = sorted({test for one in chosen for test in checks_of(one.module)})
    start, left = time.monotonic(), set[str]()
    for library in LIBRARIES:
        importlib.import_module(library)
    # Forked before anything of soakmon is loaded, and anew for each: what is changed dies with it.
    with multiprocessing.get_context("fork").Pool(asked.processes, maxtasksperchild=1) as pool:
        if not pool.map(_survives, [(None, everything)])[0]:
            print("the tests fail on the constants as they are", file=sys.stderr)
            return 1
        jobs = [(one, checks_of(one.module)) for one in chosen]
        for one, lives in zip(chosen, pool.imap(_survives, jobs, chunksize=1), strict=True):
            print(f"{'SURVIVED' if lives else 'noticed '} {one.place} {one.value:g} x {one.factor}")
            left |= {f"{one.place} {one.value:g}"} if lives else set()
    allowed = unheld()
    loose = sorted(one for one in left if not {one, one.rpartition(" ")[0]} & allowed)
    print(f"{len(chosen)} changes in {time.monotonic() - start:.0f} s; numbers that survive: "
          f"{len(left)}, of them named in the README: {len(left) - len(loose)}")  # fmt: skip
    for unheld_one in loose:
        print(f"nothing outside holds {unheld_one}, and the README does not say why")
    return 1 if loose else 0


if __name__ == "__main__":
    sys.exit(main())
