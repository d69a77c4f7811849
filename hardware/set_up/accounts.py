"""Packages, user and groups, and the folders that service and owner share."""

from __future__ import annotations

import grp
import os
import pwd
import shutil
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from hardware.set_up.machine import Machine
from hardware.set_up.notes import GROUPS, MEMBERS, PACKAGES, note
from hardware.set_up.places import GROUP, USER, Places

# Whom the pins and buses belong to, on Raspberry Pi OS.
PIN_GROUPS = ("gpio", "i2c", "spi")


def install_packages(machine: Machine, places: Places) -> None:
    """Bring what a virtual environment needs, where it is missing."""
    if find_spec("ensurepip") is not None and find_spec("venv") is not None:
        return
    note(machine, places.notes, PACKAGES, "python3-venv")
    machine.run("apt-get", "update", "-q")
    machine.run("apt-get", "install", "-y", "-q", "--no-install-recommends", "python3-venv")
    machine.did("installed the package python3-venv")


def make_accounts(machine: Machine, places: Places, owner: str) -> None:
    """The service's user, and its owner in its group. owner: who called sudo, or nobody."""
    for group in (GROUP, *PIN_GROUPS):
        if not _has(grp.getgrnam, group):
            note(machine, places.notes, GROUPS, group)
            machine.run("groupadd", "--system", group)
            machine.did(f"added the group {group}")
    if not _has(pwd.getpwnam, USER):
        machine.run(
            "useradd", "--system", "--gid", GROUP, "--home-dir", "/var/lib/soakmon",
            "--shell", "/usr/sbin/nologin", "--groups", ",".join(PIN_GROUPS), USER,
        )  # fmt: skip
        machine.did(f"added the user {USER}")
    if owner and owner not in grp.getgrnam(GROUP).gr_mem:
        note(machine, places.notes, MEMBERS, owner)
        machine.run("usermod", "--append", "--groups", GROUP, owner)
        machine.did(f"put {owner} into the group {GROUP}; it counts from the next login")


def make_folders(machine: Machine, places: Places) -> None:
    """Data that owner and service both write, and settings that the service only reads.

    What is made in a folder with the set-group bit belongs to the group, whoever makes it.
    """
    user, group = pwd.getpwnam(USER).pw_uid, grp.getgrnam(GROUP).gr_gid
    for path, owner, mode in (
        (places.data, user, 0o2770),
        (places.cache, user, 0o2770),
        (places.settings, 0, 0o2750),
    ):
        new = not path.is_dir()
        path.mkdir(parents=True, exist_ok=True)
        stat = path.stat()
        if new or (stat.st_uid, stat.st_gid, stat.st_mode & 0o7777) != (owner, group, mode):
            _give(path, owner, group)
            path.chmod(mode)
            machine.did(f"{'made' if new else 'put right'} the folder {path}")


def _give(folder: Path, owner: int, group: int) -> None:
    """Everything in a folder to owner and group; the group may do what the owner may.

    What is for its owner alone (accounts of the page, keys) stays so.
    """
    os.chown(folder, owner, group)
    for path in folder.rglob("*"):
        if path.is_symlink():
            continue
        mode = path.stat().st_mode & 0o7777
        os.chown(path, owner, group)
        if mode & 0o077:
            path.chmod(mode | (mode >> 3 & 0o070) | (0o2000 if path.is_dir() else 0))


def take_accounts_back(machine: Machine, places: Places, lists: dict[str, list[str]]) -> None:
    """Take user, groups and memberships back; the data then belongs to root."""
    for path in (places.data, places.settings):
        if path.is_dir():
            for file in (path, *path.rglob("*")):
                os.chown(file, 0, 0, follow_symlinks=False)
    for member in lists[MEMBERS]:
        if _has(pwd.getpwnam, member) and machine.works("gpasswd", "--delete", member, GROUP):
            machine.did(f"took {member} out of the group {GROUP}")
    if _has(pwd.getpwnam, USER):
        machine.run("userdel", USER)
        machine.did(f"deleted the user {USER}")
    for group in lists[GROUPS]:
        if _has(grp.getgrnam, group):
            machine.run("groupdel", group)
            machine.did(f"deleted the group {group}")
    for package in lists[PACKAGES]:
        # Others may have come to need it: the system takes it when nobody does.
        if shutil.which("apt-mark") and machine.works("apt-mark", "auto", package):
            machine.did(f"left the package {package} to apt autoremove")


def _has(look: Callable[[str], object], name: str) -> bool:
    try:
        look(name)
    except KeyError:
        return False
    return True
