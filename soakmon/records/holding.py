"""One service to a data folder: a lock that is held for as long as the process lives.

A socket can be taken over and a number in a file outlives its process; the kernel's lock can not,
and does not. It belongs to an open file, so that programs started from here do not inherit it.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from soakmon.errors import TroubleError

NAME = "lock"
_AGAIN_S = 0.2


@contextmanager
def holding(
    folder: Path,
    what: str = "another soakmon serves from this folder: stop it first",
    *,
    name: str = NAME,
    wait_s: float = 0.0,
) -> Iterator[None]:
    """Hold the folder, by a file of that name; TroubleError saying `what` when somebody else does.

    wait_s: for so long the other is waited for. The file stays: one that was deleted while it is
    held would be two locks.
    """
    path = folder / name
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)
    except OSError as error:
        raise TroubleError(f"{path}: cannot be opened: {error.strerror}") from None
    try:
        until_s = time.monotonic() + wait_s
        while not _taken(handle):
            if time.monotonic() >= until_s:
                raise TroubleError(f"{folder}: {what}")
            time.sleep(_AGAIN_S)
        yield
    finally:
        os.close(handle)


def _taken(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
