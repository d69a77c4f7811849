"""A disk that fails as disks do, under every database of the service; and the death of a process.

`Disk` stands in for `sqlite3.connect`. The death comes at a statement of a database or at any line
of the modules that keep the bench safe: from then on nothing of that process does anything more.
"""

from __future__ import annotations

import errno
import linecache
import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import Any
from unittest.mock import patch

_CONNECT = sqlite3.connect
_WRITES = ("INSERT", "UPDATE", "DELETE", "COMMIT", "BEGIN IMMEDIATE", "CREATE", "ALTER")
_MORTAL = (
    "soakmon/bench/", "soakmon/records/journal.py", "soakmon/records/waiting.py",
    "soakmon/records/writer.py", "soakmon/records/latch.py", "soakmon/records/outbox.py",
    "soakmon/reach/phone_outlet.py", "soakmon/reach/delivery_queue.py",
    "soakmon/reach/mqtt_outlet.py", "soakmon/reach/mqtt_events.py",
)  # fmt: skip


class Killed(BaseException):
    """The process is gone, here."""


class State(StrEnum):
    """How the disk is."""

    WELL = "well"
    FULL = "database or disk is full"
    LOCKED = "database is locked"
    READ_ONLY = "attempt to write a readonly database"
    BROKEN = "disk I/O error"
    SLOW = "slow"


class Note(StrEnum):
    """How the file of the latch is."""

    WELL = "well"
    FULL = "ENOSPC"
    BROKEN = "EIO"
    UNREADABLE = "unreadable"


class NoteFile:
    """Stands in for `os` in the latch's module."""

    def __init__(self) -> None:
        self.state = Note.WELL

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def open(self, *given: Any) -> int:
        if self.state is Note.UNREADABLE:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return os.open(*given)

    def pwrite(self, *given: Any) -> int:
        if self.state is Note.WELL:
            return os.pwrite(*given)
        code = errno.ENOSPC if self.state is Note.FULL else errno.EIO
        raise OSError(code, os.strerror(code))


class Disk:
    """state: how it is; slow_s: what a write costs then, passed to `waits`."""

    def __init__(self) -> None:
        self.state = State.WELL
        self.note = NoteFile()
        self.slow_s = 3.0
        self.waits = lambda seconds: None
        self.dead = False
        self.statements_left: int | None = None
        self.lines_left: int | None = None
        self.after = False
        self.open: list[sqlite3.Connection] = []

    @contextmanager
    def in_place(self) -> Iterator[None]:
        """Under the latch, and all databases that are opened from here on."""
        with (
            patch("sqlite3.connect", self._connect),
            patch("soakmon.records.latch.os", self.note),
        ):
            yield

    def _connect(self, *args: Any, **more: Any) -> sqlite3.Connection:
        disk = self

        class Connection(sqlite3.Connection):
            def execute(self, text: str, *values: Any) -> sqlite3.Cursor:
                return disk.run(text, lambda: super(Connection, self).execute(text, *values))

            def executemany(self, text: str, values: Any) -> sqlite3.Cursor:
                return disk.run(text, lambda: super(Connection, self).executemany(text, values))

        found = _CONNECT(*args, **more, factory=Connection)
        self.open.append(found)
        return found

    def run(self, text: str, act: Any) -> Any:
        """One statement, or what becomes of it."""
        if self.dead:
            raise Killed
        dies = self._counted("statements_left")
        if dies and not self.after:
            self._die()
        writes = text.lstrip().upper().startswith(_WRITES)
        if writes and self.state is State.SLOW:
            self.waits(self.slow_s)
        elif writes and self.state is not State.WELL:
            raise sqlite3.OperationalError(str(self.state))
        found = act()
        if dies:
            self._die()
        return found

    def _counted(self, what: str) -> bool:
        left = getattr(self, what)
        if left is None:
            return False
        setattr(self, what, left - 1)
        return bool(left <= 1)

    def _die(self) -> None:
        self.dead = True
        raise Killed

    @contextmanager
    def mortal(self) -> Iterator[None]:
        """Where the death at a line may come."""
        if self.lines_left is None:
            yield
            return
        before = sys.gettrace()
        sys.settrace(self._called)
        try:
            yield
        finally:
            sys.settrace(before)

    def _called(self, frame: Any, event: str, argument: Any) -> Any:
        name = frame.f_code.co_filename.replace("\\", "/")
        return self._line if any(part in name for part in _MORTAL) else None

    def _line(self, frame: Any, event: str, argument: Any) -> Any:
        # At its end a block comes back to its `with`: whoever died there would leave a lock shut
        # for what still runs here, and in truth is gone.
        text = linecache.getline(frame.f_code.co_filename, frame.f_lineno)
        if text.lstrip().startswith("with "):
            return self._line
        if event == "line" and (self.dead or self._counted("lines_left")):
            self._die()
        return self._line

    def bury(self) -> None:
        """The process is gone: what it had open is closed, and nothing is committed any more."""
        for connection in self.open:
            connection.close()
        self.open.clear()
        self.dead = False
        self.statements_left = self.lines_left = None
