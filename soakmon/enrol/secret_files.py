"""Files that hold secrets: whole or not at all, and never to be read by more than they are for."""

from __future__ import annotations

import os
from pathlib import Path

from soakmon.errors import InputError
from soakmon.texts import say

_KEEP = -1  # as os.chown takes it


def write_secret(
    path: Path, text: str, *, mode: int = 0o600, owner: int = _KEEP, group: int = _KEEP
) -> None:
    """Write a file; owner, group: by number, the program's own unless said. Raises InputError.

    Until it has its owner, group and mode nobody but the program's user can read it.
    """
    part = path.with_name(path.name + ".part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            # What was left of an earlier try may have had another mode.
            os.fchmod(file.fileno(), 0o600)
            file.write(text)
            file.flush()
            os.fchown(file.fileno(), owner, group)
            os.fchmod(file.fileno(), mode)
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise InputError(say("enrol.write", name=path, why=error.strerror)) from None


def rewrite_secret(path: Path, text: str) -> None:
    """Write a file anew: owner, group and mode as before, else for the program's user alone."""
    if not path.exists():
        write_secret(path, text)
        return
    was = path.stat()
    write_secret(path, text, mode=was.st_mode & 0o7777, owner=was.st_uid, group=was.st_gid)
