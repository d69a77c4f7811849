"""What set-up added to the machine, kept beside the program so that it can be taken back."""

from __future__ import annotations

import json
from pathlib import Path

from hardware.set_up.machine import Machine

PACKAGES, GROUPS, MEMBERS = "packages", "groups", "members"


def noted(path: Path) -> dict[str, list[str]]:
    """The lists that were kept; empty ones before the first."""
    lists: dict[str, list[str]] = {PACKAGES: [], GROUPS: [], MEMBERS: []}
    if path.is_file():
        lists |= json.loads(path.read_text(encoding="utf-8"))
    return lists


def note(machine: Machine, path: Path, kind: str, name: str) -> None:
    """Remember one thing more; before it is done, so that a power cut forgets nothing."""
    lists = noted(path)
    if name not in lists[kind]:
        lists[kind].append(name)
        machine.write(path, json.dumps(lists, indent=1) + "\n", announced=False)
