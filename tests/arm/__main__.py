"""Installs soakmon as a Pi would, in a Debian root of its own, and tries what a new user would do.

    sudo .venv/bin/python -m tests.arm                 # emulated arm64, then this machine; relative
    sudo .venv/bin/python -m tests.arm --arch amd64    # this machine's kind alone
    sudo .venv/bin/python -m tests.arm --soak-min 60   # an hour of soak on mock pins

Needs root (chroot, mount) and Debian's and PyPI's servers; this machine is left as it was. The
root's systemctl is a stand-in that starts services by their units, the pins are mock pins before a
simulated bench (world.py); all else is as on a Pi, typed as hardware/README.md has it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

from tests.arm.root import Root, emulated
from tests.arm.steps import Trial

HERE = Path(__file__).parent


def main() -> int:
    """Exit code 1 when a step fails."""
    said = argparse.ArgumentParser(prog="tests.arm")
    said.add_argument("--arch", choices=("both", "arm64", "amd64"), default="both")
    said.add_argument("--folder", type=Path, default=Path("/var/tmp/soakmon-roots"))
    said.add_argument("--soak-min", type=float, default=10.0, help="minutes of soak on mock pins")
    asked = said.parse_args()
    if os.geteuid():
        print("tests.arm: it makes a root of its own: run it as root", file=sys.stderr)
        return 2
    tools = asked.folder / "tools"
    figures: dict[str, dict[str, float]] = {}
    good = True
    for arch in ("arm64", "amd64") if asked.arch == "both" else (asked.arch,):
        with ExitStack() as stack:
            if arch == "arm64":
                stack.enter_context(emulated(tools))
            root = Root(asked.folder / arch, arch)
            print(f"{arch}: making the root", flush=True)
            root.make(tools)
            stack.enter_context(root.mounted())
            trial = Trial(root, HERE.parent.parent, asked.soak_min)
            good &= trial.all()
            figures[arch] = trial.figures
    _show(figures)
    return 0 if good else 1


def _show(figures: dict[str, dict[str, float]]) -> None:
    """Figures of each, and of the first relative to the last."""
    kinds = list(figures)
    print(f"\n{'':42}" + "".join(f"{kind:>12}" for kind in kinds), end="")
    print("       times" if len(kinds) == 2 else "")
    for name in figures[kinds[0]]:
        values = [figures[kind].get(name, float("nan")) for kind in kinds]
        line = f"{name:42}" + "".join(f"{value:12.1f}" for value in values)
        print(line + (f"{values[0] / values[1]:12.2f}" if len(kinds) == 2 and values[1] else ""))
    model = subprocess.run(["uname", "-m"], capture_output=True, text=True, check=False).stdout
    print(f"on {model.strip()} with {os.cpu_count()} cores")


if __name__ == "__main__":
    sys.exit(main())
