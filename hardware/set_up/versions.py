"""The program's versions: a virtual environment each, beside the one in use."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import hardware
from hardware.set_up.machine import Machine, SetUpError
from hardware.set_up.places import Places

PACKAGES = ("soakmon", "hardware", "sim")
EXTRAS_FILE = "extras"
# Python alone, and on offer as source only; all else comes ready-made, for a Pi has no compiler.
FROM_SOURCE = "soakmon,paho-mqtt"


@dataclass(frozen=True, slots=True)
class Source:
    """What is installed: a clone's folder or a wheel, its version, and a digest of its content."""

    path: Path
    version: str
    digest: str

    @property
    def name(self) -> str:
        """The name of its folder."""
        return f"{self.version}-{self.digest[:10]}"


def own_source() -> Path | None:
    """The clone or the wheel that this program runs from; None for an installed one."""
    folder = Path(hardware.__file__).resolve().parent.parent
    if folder.is_file() or (folder / "pyproject.toml").is_file():
        return folder
    return None


def source_of(path: Path) -> Source:
    """A clone or a wheel. Raises SetUpError for anything else."""
    path = path.resolve()
    if path.is_file() and (named := re.fullmatch(r"soakmon-([^-]+)-[^/]*\.whl", path.name)):
        return Source(path, named[1], hashlib.sha256(path.read_bytes()).hexdigest())
    project = path / "pyproject.toml"
    if project.is_file():
        own = path / "soakmon" / "__init__.py"
        text = own.read_text(encoding="utf-8") if own.is_file() else ""
        if match := re.search(r'(?m)^__version__ = "([^"]+)"', text):
            return Source(path, match[1], _digest(path))
    raise SetUpError(f"{path}: neither a clone of soakmon nor its wheel")


def _digest(folder: Path) -> str:
    digest = hashlib.sha256()
    for file in _files(folder):
        digest.update(str(file.relative_to(folder)).encode() + b"\0")
        digest.update(hashlib.sha256(file.read_bytes()).digest())
    return digest.hexdigest()


def _files(folder: Path) -> Iterator[Path]:
    yield folder / "pyproject.toml"
    for name in PACKAGES:
        for file in sorted((folder / name).rglob("*")):
            if file.is_file() and "__pycache__" not in file.parts:
                yield file


def build(machine: Machine, places: Places, source: Source, extras: tuple[str, ...]) -> Path:
    """The environment of a source, made unless it is there whole. Raises SetUpError.

    An environment cannot be moved: it is made where it stays, and counts once its note of the
    extras is there, which is written last.
    """
    folder = places.versions / source.name
    done = folder / EXTRAS_FILE
    if done.is_file() and done.read_text(encoding="utf-8").split() == sorted(extras):
        return folder
    if places.current.resolve() == folder and not done.is_file():
        raise SetUpError(f"{folder}: damaged; take it back (--remove) and set up again")
    python = folder / "bin/python"
    machine.say(f"  installing soakmon {source.version} with {', '.join(extras)}: some minutes")
    try:
        if not done.is_file():
            shutil.rmtree(folder, ignore_errors=True)
            machine.run("/usr/bin/python3", "-m", "venv", folder)
            _begin_from(places.current, folder)
        wanted = f"soakmon[{','.join(extras)}] @ {source.path.as_uri()}"
        machine.run(
            python, "-m", "pip", "install", "--no-input", "--no-cache-dir",
            "--disable-pip-version-check", "--retries=10",
            "--only-binary=:all:", f"--no-binary={FROM_SOURCE}", wanted,
        )  # fmt: skip
        machine.run(python, "-P", "-c", "import soakmon.cli.program, hardware.build")
    except SetUpError:
        if not done.is_file():
            shutil.rmtree(folder, ignore_errors=True)
        raise
    machine.write(done, "\n".join(sorted(extras)) + "\n", announced=False)
    machine.did(f"installed soakmon {source.version} in {folder}")
    return folder


def _begin_from(current: Path, folder: Path) -> None:
    """Begin with the libraries of the version in use, as further names of the same files.

    What has not changed is neither fetched again nor stored twice; pip puts a changed file in the
    place of the old name, and never writes over the file.
    """
    for site in current.glob("lib/python3*/site-packages"):
        new = folder / site.relative_to(current)
        if not new.is_dir():
            return  # another Python: nothing of the old one fits
        shutil.rmtree(new)
        shutil.copytree(site, new, symlinks=True, copy_function=os.link)
        for own in (*PACKAGES, "soakmon-*.dist-info"):
            for path in new.glob(own):
                shutil.rmtree(path)


def tidy(machine: Machine, places: Places) -> None:
    """Delete versions that are neither in use nor waiting."""
    folders = {places.current.resolve(), places.next.resolve()}
    for folder in sorted(places.versions.glob("*")):
        if folder.resolve() not in folders:
            shutil.rmtree(folder, ignore_errors=True)
            machine.did(f"deleted the old version {folder.name}")
