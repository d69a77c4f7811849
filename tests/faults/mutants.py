"""Faults put into the program on purpose: the tests nearest to each must find it.

    python -m tests.faults.mutants            # all; some minutes, those of the histories longest
    python -m tests.faults.mutants guard hold # those whose name begins so
    python -m tests.faults.mutants --list

Each is tried on a copy of the tree. A text that is not found, or not once, is refused: then the
program has changed, and the mutant must follow.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
_COPIED = ("soakmon", "sim", "hardware", "tests", "pyproject.toml", "DEVELOPERS.md", "README.md")
_LONGEST_S = 3600.0
_FAILED, _HELD = 1, 0
HISTORIES = "tests/faults/test_machine.py"


@dataclass(frozen=True, slots=True)
class Mutant:
    """What is put in place of what, and which tests must find it."""

    name: str
    file: str
    text: str
    instead: str
    tests: str


GUARD = "tests/bench/test_guard.py"
RULES = "tests/reach/test_rules.py"
OUTBOX = "tests/records/test_outbox.py"
ENDS = "tests/bench/test_ends.py"
JOURNAL = "tests/records/test_journal.py"
BLIND = "tests/watch/test_decide.py::test_a_cell_that_was_blind_too_long_proves_nothing"
STUCK = "tests/watch/test_decide.py::test_a_stuck_gate_proves_nothing"
MUTANTS = (
    Mutant("guard: news are told once for ever", "soakmon/bench/guard.py",
           "            self.announced.clear()\n", "", GUARD),
    Mutant("guard: full mass of the opening before", "soakmon/bench/guard.py",
           "            self.full_g = self.start_g = None\n", "            self.start_g = None\n",
           GUARD),
    Mutant("guard: total of the opening before", "soakmon/bench/guard.py",
           "            self.full_g = self.start_g = None\n", "            self.full_g = None\n",
           GUARD),
    Mutant("guard: filling never times out", "soakmon/bench/guard.py",
           " or open_s > LONGEST_FILL_S", "", GUARD),
    Mutant("guard: median of one", "soakmon/bench/levels.py",
           "masses[len(masses) // 2]", "mass_g", GUARD),
    Mutant("guard: a median of two is enough", "soakmon/bench/levels.py",
           "_LEAST_READINGS = 3", "_LEAST_READINGS = 2", GUARD),
    Mutant("guard: a shove counts", "soakmon/bench/shove.py",
           "_RETURNS_WITHIN_S = 10.0", "_RETURNS_WITHIN_S = 0.0", GUARD),
    Mutant("guard: what does not come back after a shove is waited for", "soakmon/bench/shove.py",
           " or level.t_s - first.t_s > _RETURNS_WITHIN_S", "", GUARD),
    Mutant("rules: a new flood joins an acknowledged one", "soakmon/reach/rules.py",
           " and not known.acknowledged\n", "\n", RULES),
    Mutant("rules: feed of the soak before", "soakmon/reach/rules.py",
           "            memory.feed_open = False\n", "", RULES),
    Mutant("rules: short troubles add up", "soakmon/reach/rules.py",
           "            if not trouble.told:\n                del self.memory.troubles[name]\n"
           "            elif", "            if trouble.told and", RULES),
    Mutant("outbox: begins at the first batch", "soakmon/records/outbox.py",
           "SELECT {_START.format('batch')},", "SELECT 0,", OUTBOX),
    Mutant("outbox: half a change is kept", "soakmon/records/outbox.py",
           'self.connection.execute("ROLLBACK")', 'self.connection.execute("COMMIT")', OUTBOX),
    Mutant("outbox: newest for oldest", "soakmon/records/outbox.py",
           "FROM {table} WHERE id > ? ORDER BY id LIMIT 1",
           "FROM {table} WHERE id > ? ORDER BY id DESC LIMIT 1", OUTBOX),
    Mutant("conclude: blind for any time is no doubt", "soakmon/watch/reasons.py",
           "if record.follower.blind_s > _BLIND_SHARE * soak_s:", "if False:", BLIND),
    Mutant("conclude: a stuck gate is no doubt", "soakmon/watch/reasons.py",
           'if "gate_stuck" in kinds:', "if False:", STUCK),
    Mutant("histories: hold never shuts", "soakmon/bench/feed.py",
           "            if must and self.valve.is_open:\n",
           "            if False and self.valve.is_open:\n", HISTORIES),
    Mutant("histories: the latch is never set", "soakmon/records/latch.py",
           "            self.note = LatchEntry(reason, code, wall_s, alarm, also)\n",
           "            pass\n", HISTORIES),
    Mutant("histories: listeners are not told", "soakmon/bench/teller.py",
           "        for listener in list(self.listeners):", "        for listener in ():",
           HISTORIES),
    Mutant("histories: the guard sleeps", "soakmon/bench/guard.py",
           "        self._hold(trips)\n", "        trips.clear()\n", HISTORIES),
    Mutant("histories: the keeper sleeps", "soakmon/bench/keeper.py",
           "        self._look_at_feed()\n        if not", "        if not", HISTORIES),
    Mutant("service: a start is answered from memory", "soakmon/bench/worker.py",
           "        if journal.settle(SETTLES_WITHIN_S):\n            return \"\"\n",
           "        if True:\n            return \"\"\n", ENDS),
    Mutant("histories: two verdicts for what was cut off", "soakmon/bench/resume.py",
           "        if entry.ended_t_s is not None or _has_verdict(service, entry):",
           "        if _was_said(service, entry):", HISTORIES),
    Mutant("journal: the rows of a soak go to the next", "soakmon/records/journal.py",
           "            self._freeze()\n            values =", "            values =", JOURNAL),
    Mutant("histories: opened without anybody after a long gap", "soakmon/bench/resume.py",
           "    short = last.known and last.gap_s <= _REOPENS_WITHIN_S\n", "    short = True\n",
           HISTORIES),
)  # fmt: skip


def _copy(folder: Path) -> None:
    for name in _COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(source, folder / name)


def rotten(mutant: Mutant) -> str:
    """Why a mutant cannot be made, or ""."""
    file = ROOT / mutant.file
    found = file.read_text(encoding="utf-8").count(mutant.text) if file.is_file() else 0
    return "" if found == 1 else f"its text is {found} times in {mutant.file}"


def killed(mutant: Mutant) -> bool:
    """Whether its tests fail. Raises RuntimeError when they cannot be run."""
    with tempfile.TemporaryDirectory(prefix="mutant-") as place:
        folder = Path(place)
        _copy(folder)
        file = folder / mutant.file
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace(mutant.text, mutant.instead), encoding="utf-8")
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider"]
        environment = os.environ | {"PYTHONPATH": place, "PYTHONDONTWRITEBYTECODE": "1"}
        made = subprocess.run(
            [*command, mutant.tests], cwd=place, env=environment, timeout=_LONGEST_S,
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    if made.returncode not in {_FAILED, _HELD}:
        raise RuntimeError(f"{mutant.name}: pytest ends with {made.returncode}\n{made.stdout}")
    return made.returncode == _FAILED


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("names", nargs="*", help="only those whose name begins so")
    parser.add_argument("--list", action="store_true", help="print their names and end")
    asked = parser.parse_args()
    chosen = [m for m in MUTANTS if not asked.names or m.name.startswith(tuple(asked.names))]
    if asked.list:
        print("\n".join(mutant.name for mutant in chosen))
        return 0
    for mutant in chosen:
        if why := rotten(mutant):
            print(f"refused: {mutant.name}: {why}")
            return 2
    survived = 0
    for mutant in chosen:
        began_s = time.monotonic()
        dead = killed(mutant)
        survived += not dead
        word = "killed  " if dead else "SURVIVED"
        print(f"{word} {time.monotonic() - began_s:4.0f} s  {mutant.name}", flush=True)
    print(f"{len(chosen) - survived} of {len(chosen)} killed")
    return 1 if survived else 0


if __name__ == "__main__":
    raise SystemExit(main())
