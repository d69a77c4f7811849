"""Whether the disk has room for what is about to be written, before any of it is."""

from __future__ import annotations

import shutil
from pathlib import Path

from soakmon.errors import InputError

# What must stay free: the readings of a running soak come before anything that can wait.
RESERVE_BYTES = 200_000_000
# What a file takes at least, however small it is: a block of the usual file systems.
_BLOCK_BYTES = 4096


class Room:
    """The free space of the disk that a folder is on or will be on, less the reserve."""

    def __init__(self, folder: Path) -> None:
        self.folder = _nearest(folder)
        self.free_bytes = max(0, shutil.disk_usage(self.folder).free - RESERVE_BYTES)
        self.needed_bytes = 0

    def take(self, size_bytes: int, source: str) -> None:
        """Set room aside for one file. source: where it comes from. Raises InputError."""
        blocks = -(-max(0, size_bytes) // _BLOCK_BYTES)
        self.needed_bytes += _BLOCK_BYTES * max(1, blocks)
        if self.needed_bytes > self.free_bytes:
            raise InputError(
                f"{source}: unpacks to {_mb(self.needed_bytes)} MB or more, but {self.folder} has "
                f"room for {_mb(self.free_bytes)} MB beside the {_mb(RESERVE_BYTES)} MB that must "
                "stay free: make room, or use a larger disk; nothing was written"
            )


def _nearest(folder: Path) -> Path:
    """A folder, or where it will be made: the nearest above it that is there."""
    return next(place for place in (folder, *folder.absolute().parents) if place.is_dir())


def _mb(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:,.0f}".replace(",", " ")
