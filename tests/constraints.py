"""The versions that a release was tested with, of everything that soakmon installs.

python -m tests.constraints [--sizes] > .ci/constraints.txt

Printed in the form of `pip install -c`; --sizes: what they take on this disk instead, in MB, with
and without extras. What is not installed here (the Pi's own libraries) has no line.
"""

from __future__ import annotations

import argparse
import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text())["project"]
EXTRAS = ("report", "page", "mqtt", "influx", "phone", "postgres", "pi")


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def needed(wanted: list[str]) -> dict[str, Distribution]:
    """All that is installed for some requirements, by name."""
    found: dict[str, Distribution] = {}
    waiting = [Requirement(line) for line in wanted]
    while waiting:
        one = waiting.pop()
        name = plain(one.name)
        if name == "soakmon" or (one.marker and not one.marker.evaluate({"extra": ""})):
            continue
        try:
            made = distribution(name)
        except PackageNotFoundError:
            continue
        new = name not in found
        found[name] = made
        for line in made.requires or ():
            other = Requirement(line)
            extras = {"", *one.extras}
            asked = not other.marker or any(other.marker.evaluate({"extra": e}) for e in extras)
            if asked and (new or other.marker):
                other.marker = None
                if plain(other.name) not in found:
                    waiting.append(other)
    return found


def size_mb(made: dict[str, Distribution]) -> float:
    """What they take on the disk, MB."""
    paths = [Path(str(d.locate_file(f))) for d in made.values() for f in d.files or ()]
    return sum(path.stat().st_size for path in paths if path.is_file()) / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", action="store_true")
    asked = parser.parse_args()
    base, extras = PROJECT["dependencies"], PROJECT["optional-dependencies"]
    if asked.sizes:
        print(f"without extras: {size_mb(needed(base)):.0f} MB")
        for name in EXTRAS:
            print(f"with [{name}]: {size_mb(needed(base + extras[name])):.0f} MB")
        everything = base + [line for name in EXTRAS[:5] for line in extras[name]]
        print(f"with [all]: {size_mb(needed(everything)):.0f} MB")
        return
    everything = base + [line for name in EXTRAS for line in extras[name]]
    for name, made in sorted(needed(everything).items()):
        print(f"{name}=={made.version}")


if __name__ == "__main__":
    main()
