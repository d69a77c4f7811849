"""Puts what waits on disk: in the caller's thread, or, once it runs, in one of its own.

A disk that is full, locked, read-only or slow keeps nobody waiting but this thread, and everything
is tried again until it is in.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from soakmon.records.waiting import Entry, Waiting

log = logging.getLogger(__name__)
Connect = Callable[[], sqlite3.Connection]
_AGAIN_S = 2.0
_LAST_WORDS_S = 3.0
# A card that cleans up may take some seconds.
_HANGS_S = 20.0
_WORTH_TELLING_S = 60.0
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def speaks_of_damage(error: Exception) -> bool:
    """Whether the file's content is broken, and not only out of reach."""
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) in _DAMAGE


class Writer:
    """Writes the entries of a queue, all that are free in one transaction.

    connect: opens the file again when the connection is beyond use. trouble: why the last try
    failed, empty while all is well; `told` says as well when one does not come back. damaged: what
    is broken in the file, for good.
    """

    def __init__(self, connect: Connect, waiting: Waiting, connection: sqlite3.Connection) -> None:
        self.connect = connect
        self.waiting = waiting
        self.connection = connection
        # Of the connection: a transaction is one thread's alone.
        self.lock = threading.RLock()
        self.trouble = ""
        self.damaged = ""
        self._usable = True
        self._since_s: float | None = None
        self._wake = threading.Event()
        self._written = threading.Condition()
        self._stopping = False
        self._thread: threading.Thread | None = None

    def run(self, ended: Callable[[BaseException], None]) -> None:
        """From here on write in a thread of its own; ended: called should that fail."""

        def watched() -> None:
            try:
                self._write_on()
            except BaseException as error:
                ended(error)

        self._thread = threading.Thread(target=watched, name="journal", daemon=True)
        self._thread.start()

    def problem(self) -> str:
        """What is wrong with writing, or ""."""
        since_s = self._since_s
        if since_s is not None and time.monotonic() - since_s > _HANGS_S:
            waited_s = time.monotonic() - since_s
            return f"the journal cannot be written: the disk has not answered for {waited_s:.0f} s"
        return self.trouble

    def commit(self) -> bool:
        """Write what is free, or have it written; False when the last try failed."""
        if self._thread is None:
            return self._flush()
        self._wake.set()
        return not self.trouble

    def settle(self, within_s: float) -> bool:
        """Wait until everything is on disk; False when that takes longer."""
        if self._thread is None:
            return self._flush()
        until_s = time.monotonic() + within_s
        with self._written:
            while self.waiting.free():
                self._wake.set()
                left_s = until_s - time.monotonic()
                if left_s <= 0:
                    return False
                self._written.wait(min(left_s, _AGAIN_S))
        return True

    def close(self) -> None:
        """Write what can be written and let go of the file; a disk that hangs is left behind."""
        if self._thread is not None:
            self._stopping = True
            self._wake.set()
            self._thread.join(_LAST_WORDS_S)
            if self._thread.is_alive():
                return
            self._thread = None
        self._flush()
        self.connection.close()

    def _write_on(self) -> None:
        while not self._stopping:
            self._wake.wait(_AGAIN_S)
            self._wake.clear()
            self._flush()

    def _flush(self) -> bool:
        entries = self.waiting.free()
        if not entries:
            return not self.trouble
        self._since_s = time.monotonic()
        try:
            with self.lock:
                self._write(entries)
        except Exception as error:  # whatever it was: what waits is tried again
            self._failed(error)
            return False
        finally:
            self._since_s = None
        self.waiting.written(entries)
        self.trouble = ""
        with self._written:
            self._written.notify_all()
        return True

    def _write(self, entries: list[Entry]) -> None:
        """All or nothing; what fails leaves no transaction behind."""
        if not self._usable:
            self.connection = self.connect()
            self._usable = True
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            for entry in entries:
                self.connection.execute(entry.statement, entry.values)
            self.connection.execute("COMMIT")
        except Exception:  # whatever it was: nothing of it stays, and it is passed on
            self._back_out()
            raise

    def _back_out(self) -> None:
        try:
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
        except sqlite3.Error:
            self._usable = False
            with suppress(sqlite3.Error):
                self.connection.close()

    def _failed(self, error: Exception) -> None:
        if not self.trouble:
            log.error("the journal cannot be written: %s", error)
        text = f"the journal cannot be written: {error}"
        waiting_s, given_up_s = self.waiting.lasts_s(), self.waiting.given_up_s
        if waiting_s > _WORTH_TELLING_S:
            text += f"; {waiting_s / 60:.0f} min of readings wait in memory"
        if given_up_s:
            text += f", {given_up_s / 60:.0f} min were given up"
        if speaks_of_damage(error):
            self.damaged = str(error)
        self.trouble = text
