"""A database that whoever shares its folder may write.

SQLite makes its files writable for their owner alone, whatever the umask says; service and owner
of the bench are two users with one data folder.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def make_file(path: Path) -> None:
    """Make an empty database file for owner and group, as the umask allows; one there stays."""
    # Whatever else is wrong with the path, the database says better.
    with suppress(OSError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o660))
