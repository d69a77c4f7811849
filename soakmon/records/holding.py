"""One service to a data folder: a lock that is held for as long as the process lives.

A socket can be taken over and a number in a file outlives its process; the kernel's lock can not,
and does not. It belongs to an open file, so that programs started from here do not inherit it.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from soakmon.errors import TroubleError

NAME = "lock"


@contextmanager
def holding(folder: Path, what: str = "another soakmon serves from this folder") -> Iterator[None]:
    """Hold the folder; TroubleError saying `what` when somebody else does.

    The file stays: one that was deleted while it is held would be two locks.
    """
    path = folder / NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise TroubleError(f"{path}: cannot be opened: {error.strerror}") from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise TroubleError(f"{folder}: {what}: stop it first") from None
        yield
    finally:
        os.close(handle)
