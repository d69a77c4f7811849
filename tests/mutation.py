"""Mutation testing: every line of a module changed a little, to see whether its tests notice.

    python -m tests.mutation                  # guard, rules, outbox: some minutes
    python -m tests.mutation watch/fall       # a module of watch, by its own tests
    python -m tests.mutation --show guard     # and what each mutant changed that nobody noticed

Needs the extra `mutation`. Works on a copy of the tree; exit code 1 below `LEAST` killed. A mutant
that no test reaches, or that hangs no test but is not noticed either, has survived.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
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
pytest_add_cli_args = ["-p", "no:cacheprovider", "-n", "0", "-x"]
pytest_add_cli_args_test_selection = {tests}
"""
_KILLED = {"killed", "timeout", "caught by type check"}


def tests_of(name: str) -> tuple[str, tuple[str, ...]]:
    """The module, and the tests that have to notice."""
    if name in MODULES:
        return MODULES[name]
    room, _, module = name.rpartition("/")
    own = f"tests/{room}/test_{module}.py"
    if not (ROOT / own).exists() or not (ROOT / f"soakmon/{name}.py").exists():
        raise SystemExit(f"{name}: there is no such module, or no {own}")
    return name, (own,)


def mutated(name: str, folder: Path) -> dict[str, str]:
    """What became of each mutant of a module, in a copy of the tree in a folder."""
    for one in _COPIED:
        source, target = ROOT / one, folder / one
        if source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, target)
    module, tests = tests_of(name)
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as file:
        file.write(_SETTINGS.format(module=module, tests=list(tests)))
    ran = _mutmut(folder, "run")
    found = dict(
        line.strip().rsplit(": ", 1)
        for line in _mutmut(folder, "results", "--all", "true").stdout.splitlines()
        if ": " in line
    )
    if not found:
        raise SystemExit(f"{name}: no mutant was tried:\n{ran.stdout[-2000:]}{ran.stderr[-2000:]}")
    return found


def _mutmut(folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mutmut", *args]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=_QUICK)
    parser.add_argument("--show", action="store_true", help="what each survivor changed")
    asked = parser.parse_args()
    worst = 1.0
    for name in asked.names:
        with tempfile.TemporaryDirectory() as place:
            found = mutated(name, Path(place))
            survivors = sorted(one for one, what in found.items() if what not in _KILLED)
            share = 1 - len(survivors) / len(found)
            worst = min(worst, share)
            counts = ", ".join(f"{n} {what}" for what, n in Counter(found.values()).most_common())
            print(f"{name}: {share:.1%} of {len(found)} mutants killed ({counts})", flush=True)
            for one in survivors:
                print(f"  {one}: {found[one]}")
                if asked.show:
                    print(_mutmut(Path(place), "show", one).stdout)
    sys.exit(1 if worst < LEAST else 0)


if __name__ == "__main__":
    main()
