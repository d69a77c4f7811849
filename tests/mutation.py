"""Mutation testing: every line of a module changed a little, to see whether its tests notice.

    python -m tests.mutation                  # guard, rules, outbox: some minutes
    python -m tests.mutation watch/fall       # a module of watch, by its own tests
    python -m tests.mutation watch --sample 15  # of each module so many mutants, drawn by --seed
    python -m tests.mutation --show guard     # and what each mutant changed that nobody noticed

Needs the extra `mutation`. Works on a copy of the tree; exit code 1 below `LEAST` killed, of a room
in all. A mutant that no test reaches, or that hangs no test but is not noticed either, has
survived. Constants at the top of a module, and functions under a decorator, are not changed:
`tests.beliefs` and `tests.published.mutants` do that for constants.

Of 12 mutants each of 21 of the modules of watch (seed 18) 95 % were killed, 90 % where each module
counts by all of its mutants; of 16 each of rules and outbox 94 and 88 %.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
LEAST = 0.85
_COPIED = ("soakmon", "sim", "hardware", "tests", "pyproject.toml", "DEVELOPERS.md", "README.md")
# Short names; a module of any room is also known by its place, and tested by the file of its name.
MODULES = {
    "guard": ("bench/guard", ("tests/bench/test_guard.py", "tests/bench/test_guard_news.py")),
    "session": ("bench/session", ("tests/bench/test_session.py", "tests/bench/test_ends.py")),
    "rules": ("reach/rules", ("tests/reach/test_rules.py", "tests/reach/test_rules_morning.py")),
    "outbox": ("records/outbox", ("tests/records/test_outbox.py",)),
}
_QUICK = ("guard", "rules", "outbox")
_SETTINGS = """
[tool.mutmut]
source_paths = ["soakmon"]
only_mutate = ["soakmon/{module}.py"]
also_copy = ["sim", "hardware", "DEVELOPERS.md", "README.md"]
timeout_multiplier = 4.0
pytest_add_cli_args = ["-p", "no:cacheprovider", "-n", "0", "-x"]
pytest_add_cli_args_test_selection = {tests}
"""
_KILLED = {"killed", "timeout", "caught by type check"}
# No mutant is called so: asked for it, the tool makes all of them and stops.
_NONE_OF_THEM = "none-of-them"


@dataclass(frozen=True, slots=True)
class Tried:
    """A module's mutants that were tried: name and what became of each; of how many."""

    results: dict[str, str]
    of: int

    @property
    def survivors(self) -> list[str]:
        """Those that no test noticed."""
        return sorted(one for one, what in self.results.items() if what not in _KILLED)

    @property
    def killed(self) -> float:
        """Share that was noticed."""
        return 1 - len(self.survivors) / len(self.results)


def tests_of(name: str) -> tuple[str, tuple[str, ...]]:
    """The module, and the tests that have to notice."""
    if name in MODULES:
        return MODULES[name]
    room, _, module = name.rpartition("/")
    own = f"tests/{room}/test_{module}.py"
    if not (ROOT / own).exists() or not (ROOT / f"soakmon/{name}.py").exists():
        raise SystemExit(f"{name}: there is no such module, or no {own}")
    return name, (own,)


def modules_of(name: str) -> list[str]:
    """A module by itself; of a room all that have tests of their own."""
    if name in MODULES or not (ROOT / "soakmon" / name).is_dir():
        return [name]
    modules = sorted(path.stem for path in (ROOT / "soakmon" / name).glob("*.py"))
    return [f"{name}/{one}" for one in modules if (ROOT / f"tests/{name}/test_{one}.py").exists()]


def mutated(name: str, folder: Path, sample: int, seed: int) -> Tried:
    """What became of the mutants of a module, in a copy of the tree in a folder."""
    for one in _COPIED:
        source, target = ROOT / one, folder / one
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, target)
    module, tests = tests_of(name)
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as file:
        file.write(_SETTINGS.format(module=module, tests=list(tests)))
    made = _mutmut(folder, "run", "--max-children", "1", _NONE_OF_THEM)
    every = sorted(_results(folder))
    if not every:
        return Tried({}, _none_made(name, module, made))
    drawn = random.Random(f"{seed} {name}").sample(every, min(sample or len(every), len(every)))
    ran = _mutmut(folder, "run", "--max-children", "1", *sorted(drawn))
    results = {one: what for one, what in _results(folder).items() if one in drawn}
    left = [one for one, what in results.items() if what == "not checked"]
    if len(left) == len(results):
        # Methods of a dataclass with slots: the tool does not see that they are called.
        return Tried({}, 0)
    if left:
        raise SystemExit(f"{name}: not all were tried:\n{ran.stdout[-2000:]}{ran.stderr[-2000:]}")
    return Tried(results, len(every))


def _results(folder: Path) -> dict[str, str]:
    lines = _mutmut(folder, "results", "--all", "true").stdout.splitlines()
    return dict(line.strip().rsplit(": ", 1) for line in lines if ": " in line)


def _none_made(name: str, module: str, made: subprocess.CompletedProcess[str]) -> int:
    """No mutant, of a module that has nothing the tool can change; else it has failed."""
    changes = "def " in (ROOT / f"soakmon/{module}.py").read_text(encoding="utf-8")
    # Of properties of a dataclass with slots it does not see that they are called.
    if changes and "could not find any test case" not in made.stdout:
        raise SystemExit(f"{name}: no mutant was made:\n{made.stdout[-2000:]}{made.stderr[-2000:]}")
    return 0


def _mutmut(folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mutmut", *args]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def tried(name: str, sample: int, seed: int, *, show: bool) -> Tried:
    """The same, printed."""
    with tempfile.TemporaryDirectory() as place:
        one = mutated(name, Path(place), sample, seed)
        if not one.results:
            print(f"{name}: nothing that the tool can change and try", flush=True)
            return one
        counts = Counter(one.results.values()).most_common()
        told = ", ".join(f"{n} {what}" for what, n in counts)
        drawn = f" of {one.of}, seed {seed}" if len(one.results) < one.of else ""
        print(f"{name}: {one.killed:.1%} of {len(one.results)}{drawn} killed ({told})", flush=True)
        for survivor in one.survivors:
            print(f"  {survivor}: {one.results[survivor]}")
            if show:
                print(_mutmut(Path(place), "show", survivor).stdout)
    return one


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=_QUICK)
    parser.add_argument("--sample", type=int, default=0, help="so many of each module, drawn")
    parser.add_argument("--seed", type=int, default=1, help="of the draw")
    parser.add_argument("--show", action="store_true", help="what each survivor changed")
    asked = parser.parse_args()
    worst = 1.0
    for name in asked.names:
        modules = modules_of(name)
        each = [tried(one, asked.sample, asked.seed, show=asked.show) for one in modules]
        # Of a sample each module counts by all of its mutants.
        of = sum(one.of for one in each)
        killed = sum(one.killed * one.of for one in each if one.results) / max(of, 1)
        worst = min(worst, killed)
        if len(modules) > 1:
            print(f"{name}: {killed:.1%} killed of {of} mutants in {len(modules)} modules")
    sys.exit(1 if worst < LEAST else 0)


if __name__ == "__main__":
    main()
