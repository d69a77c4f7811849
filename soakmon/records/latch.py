"""The latch: one small note beside the journal that says why the feed must stay shut.

It is allocated and synced when a soak begins and overwritten in place, so that a full disk cannot
stop it. Two slots, each with its checksum, are written in turn: a torn write spoils one of them.
Whatever speaks against opening counts: no file, a slot that cannot be read, a file that cannot be
written all mean shut. The note is off only between an opening that a person has confirmed and the
next shutting, so a crash at any instant finds it as safe as the feed was.
"""

from __future__ import annotations

import json
import os
import threading
import zlib
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from soakmon.texts import say

NAME = "latch"
_SLOT_BYTES = 2048
_SLOTS = 2
_LONGEST = 300
_MOST_MORE = 4


@dataclass(frozen=True, slots=True)
class LatchEntry:
    """Why the feed must stay shut, since when; alarm: as it was raised, where there was one.

    also: what else came up since then.
    """

    reason: str
    code: str
    wall_s: float
    alarm: dict[str, Any] | None = None
    also: tuple[str, ...] = ()


class Latch:
    """The note at a path; memory says at once what the disk says after `write`.

    number counts the changes; trouble says why the last write failed, empty while all is well.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lock = threading.Lock()
        self.writing = threading.Lock()
        self.settled = threading.Condition(self.lock)
        self.file: int | None = None
        self.trouble = ""
        self.slot = 0
        self.number = self.written = 0
        self.note: LatchEntry | None = LatchEntry(
            say("latch.nobody_has_opened_feed_yet"), "new", 0.0
        )
        if path.exists():
            self._read()

    @property
    def reason(self) -> str | None:
        """Why the feed must stay shut; None when it may be open."""
        note = self.note
        return None if note is None else note.reason

    @property
    def reasons(self) -> list[str]:
        """All that must be looked at before the feed may be opened; none when it may be open."""
        note = self.note
        return [] if note is None else [note.reason, *note.also]

    def set(
        self, reason: str, code: str, wall_s: float, alarm: dict[str, Any] | None = None
    ) -> bool:
        """Latch it, in memory and on disk; whether the disk has it."""
        self.hold(reason, code, wall_s, alarm)
        return self.write()

    def hold(
        self, reason: str, code: str, wall_s: float, alarm: dict[str, Any] | None = None
    ) -> None:
        """Latch it in memory, without waiting for a disk: `write` must follow.

        An alarm that was noted before stays noted beside it.
        """
        reason = reason[:_LONGEST]
        if alarm is not None:
            alarm = alarm | {"text": str(alarm.get("text", ""))[:_LONGEST]}
        with self.lock:
            before = self.reasons if self.note is not None and self.note.alarm is not None else []
            also = tuple(earlier for earlier in before if earlier != reason)[:_MOST_MORE]
            self.note = LatchEntry(reason, code, wall_s, alarm, also)
            self._changed()

    def add(self, reason: str) -> None:
        """One more reason in memory, beside the note that there is: `write` must follow."""
        reason = reason[:_LONGEST]
        with self.lock:
            if self.note is None or reason in self.reasons or len(self.note.also) >= _MOST_MORE:
                return
            self.note = replace(self.note, also=(*self.note.also, reason))
            self._changed()

    def lift(self, seen: int | None = None) -> str:
        """Take the note away, on disk first of all; why that could not be, or "".

        seen: the number of the note that was confirmed: one that came since then stays.
        """
        with self.lock:
            before = self.note
            if before is None:
                return ""
            if seen is not None and seen != self.number:
                return before.reason
            self.note = None
            self._changed()
        if not self.write():
            with self.lock:
                if self.note is None:
                    self.note = before
                    self._changed()
            return self.trouble
        return self.reason or ""

    def allocate(self) -> bool:
        """Take the room on disk that the note needs from now on; whether that succeeded."""
        if self.file is not None:
            return self.write()
        with self.writing:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
                try:
                    os.posix_fallocate(file, 0, _SLOTS * _SLOT_BYTES)
                    _sync_folder(self.path.parent)
                    lies = max(_whole(file).values(), default=(0, None), key=lambda slot: slot[0])
                except OSError:
                    os.close(file)
                    raise
            except OSError as error:
                self.trouble = self._cannot("made", error)
                return False
            self.file = file
        with self.lock:
            # What lies there from before must be the older one.
            self.number = max(self.number, lies[0])
            self._changed()
        if not self.write():
            return False
        with self.lock:
            self._changed()
        return self.write()

    def write(self) -> bool:
        """Bring the disk to what memory says; False, with the reason in `trouble`, if it failed."""
        if self._lies_there():
            return self.allocate()
        with self.writing:
            with self.lock:
                note, number, file = self.note, self.number, self.file
            if number == self.written:
                return True
            if file is None:
                # A missing note means shut: only the opposite needs one.
                if note is None:
                    self.trouble = say("latch.note_keeps_feed_shut_missing", path=self.path)
                return note is not None
            try:
                os.pwrite(file, _packed(number, note), self.slot * _SLOT_BYTES)
                os.fsync(file)
            except OSError as error:
                with self.settled:
                    self.trouble = self._cannot("written", error)
                    self.settled.notify_all()
                return False
            self.slot = (self.slot + 1) % _SLOTS
            with self.settled:
                self.trouble = ""
                self.written = number
                self.settled.notify_all()
            return True

    def _lies_there(self) -> bool:
        """Whether the file could not be opened, and may say the opposite of what memory says."""
        unsaid = self.note is not None and self.written != self.number
        return self.file is None and unsaid and self.path.exists()

    def wait(self, seconds: float) -> bool:
        """Wait until the disk says what memory says, or cannot; whether it does in so many s."""
        with self.settled:
            done = self.settled.wait_for(
                lambda: self.written == self.number or self.file is None or bool(self.trouble),
                seconds,
            )
            return done and not self.trouble

    def wait_for_change(self, seconds: float) -> bool:
        """Wait until memory says what the disk does not say yet, at most so long."""
        with self.settled:
            return self.settled.wait_for(
                lambda: (
                    self.written != self.number and (self.file is not None or self._lies_there())
                ),
                seconds,
            )

    def close(self) -> None:
        """Let go of the file, after a last try to write it."""
        self.write()
        with self.writing:
            if self.file is not None:
                os.close(self.file)
                self.file = None

    def _changed(self) -> None:
        self.number += 1
        self.settled.notify_all()

    def _read(self) -> None:
        try:
            self.file = os.open(self.path, os.O_RDWR | os.O_CLOEXEC)
            whole = _whole(self.file)
        except OSError as error:
            self.trouble = self._cannot("read", error)
            self.note = LatchEntry(self.trouble, "unreadable", 0.0)
            # As soon as the disk lets it be written over, it says at least that.
            with self.lock:
                self._changed()
            return
        newest = max(whole, key=lambda slot: whole[slot][0], default=-1)
        self.number, self.note = whole.get(newest, (0, None))
        self.written = self.number
        # The slot that holds nothing, or the older of the two, is written next.
        self.slot = (newest + 1) % _SLOTS
        if len(whole) < _SLOTS and self.note is None:
            # What was being written may have been a reason to stay shut.
            text = say("latch.note_about_feed_was_being")
            self.note = LatchEntry(text, "torn", 0.0)
        with self.lock:
            self._changed()
        if not self.write() and self.note is None:
            # What could not be latched later may not be opened now.
            self.note = LatchEntry(self.trouble, "unreadable", 0.0)

    def _cannot(self, what: str, error: OSError) -> str:
        return say(
            "latch.note_keeps_feed_shut_cannot", path=self.path, what=what, strerror=error.strerror
        )


def _whole(file: int) -> dict[int, tuple[int, LatchEntry | None]]:
    """Number and note of each slot that is whole."""
    slots = {
        slot: _unpacked(os.pread(file, _SLOT_BYTES, slot * _SLOT_BYTES)) for slot in range(_SLOTS)
    }
    return {slot: entry for slot, entry in slots.items() if entry is not None}


def _packed(number: int, note: LatchEntry | None) -> bytes:
    text = _encoded(number, note)
    # The reason alone always fits.
    for less in ({"also": ()}, {"alarm": None}):
        if note is not None and len(text) > _SLOT_BYTES - 10:
            note = replace(note, **less)
            text = _encoded(number, note)
    return f"{zlib.crc32(text):08x} ".encode() + text.ljust(_SLOT_BYTES - 9)


def _encoded(number: int, note: LatchEntry | None) -> bytes:
    content = {"number": number, "note": None if note is None else asdict(note)}
    return json.dumps(content, ensure_ascii=False).encode("utf-8", "replace")


def _unpacked(slot: bytes) -> tuple[int, LatchEntry | None] | None:
    """Number and note of a slot, or None when it is not whole."""
    head, _, text = slot.rstrip().partition(b" ")
    try:
        if len(slot) != _SLOT_BYTES or int(head, 16) != zlib.crc32(text):
            return None
        content = json.loads(text)
        note = content["note"]
        if note is not None:
            note = LatchEntry(**note | {"also": tuple(note.get("also", ()))})
        return int(content["number"]), note
    except (ValueError, KeyError, TypeError):
        return None


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
