"""The note that keeps the feed shut: whatever happens to file, disk or process, it errs on shut."""

from __future__ import annotations

import errno
import os
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.records.latch import Latch

SLOT = 2048
FLOOD = {"t_s": 3.5, "kind": "flood", "carb": 2, "text": "carb 2 overflows", "uid": "0123456789ab"}


@pytest.fixture
def latch(tmp_path) -> Latch:
    made = Latch(tmp_path / "latch")
    assert made.allocate()
    return made


def test_a_missing_note_means_shut(tmp_path):
    latch = Latch(tmp_path / "latch")
    assert latch.reason == "nobody has opened the feed yet"
    assert "missing" in latch.lift()
    assert latch.reason is not None


def test_what_was_set_and_lifted_is_there_after_a_restart(latch):
    assert latch.lift() == ""
    assert Latch(latch.path).reason is None
    assert latch.set("carb 2 overflows", "storm", 1.8e9, FLOOD)
    again = Latch(latch.path)
    assert (again.reason, again.note.code, again.note.wall_s) == (
        "carb 2 overflows",
        "storm",
        1.8e9,
    )
    assert again.note.alarm == FLOOD
    assert again.lift() == ""
    assert Latch(latch.path).reason is None


@given(st.text(max_size=400), st.text(max_size=400))
def test_any_reason_fits_its_slot(tmp_path_factory, reason, text):
    latch = Latch(tmp_path_factory.mktemp("latch") / "latch")
    latch.allocate()
    assert latch.set(reason, "code", 1.0, FLOOD | {"text": text})
    for more in range(9):
        latch.add(f"{more} {text}")
    assert latch.write()
    assert latch.path.stat().st_size == 2 * SLOT
    again = Latch(latch.path)
    assert again.reason == reason[:300].encode("utf-8", "replace").decode()


@pytest.mark.parametrize("was_off", [True, False])
@pytest.mark.parametrize("kept", [0, 1, 7, 8, 9, 60, 2047])
@pytest.mark.parametrize("slot", [0, 1])
def test_a_torn_write_never_lets_the_feed_open(latch, slot, kept, was_off):
    """Power goes in the middle of a slot: the rest of it is what was there, or nothing sensible."""
    latch.set("carb 2 overflows", "storm", 1.8e9)
    if was_off:
        latch.lift()
    before = bytearray(latch.path.read_bytes())
    start = slot * SLOT
    torn = before[start + kept : start + SLOT]
    before[start + kept : start + SLOT] = bytes(byte ^ 0x55 for byte in torn)
    latch.path.write_bytes(before)
    again = Latch(latch.path)
    assert again.reason is not None
    # A person who confirms the cautions makes it whole again.
    assert again.lift() == ""
    assert Latch(latch.path).reason is None


@pytest.mark.parametrize("content", [b"", b"\0" * 2 * SLOT, b"x" * 10, b"{}" * 3000])
def test_a_file_that_is_no_note_counts_as_set(tmp_path, content):
    path = tmp_path / "latch"
    path.write_bytes(content)
    assert Latch(path).reason is not None


def test_a_path_that_cannot_be_read_counts_as_set(tmp_path):
    (tmp_path / "latch").mkdir()
    latch = Latch(tmp_path / "latch")
    assert "cannot be read" in latch.reason
    assert latch.lift() != ""
    assert latch.reason is not None


def failing(*_):
    raise OSError(errno.EIO, "Input/output error")


def test_a_disk_that_cannot_be_written_leaves_it_shut_for_this_run_and_the_next(latch, monkeypatch):
    latch.lift()
    monkeypatch.setattr(os, "pwrite", failing)
    assert not latch.set("carb 2 overflows", "storm", 1.8e9)
    assert latch.reason == "carb 2 overflows"
    assert "cannot be written" in latch.trouble
    assert "cannot be written" in latch.lift()
    assert latch.reason == "carb 2 overflows"
    # The disk still says that the feed may open, but what could not be latched may not be opened.
    assert "cannot be written" in Latch(latch.path).reason
    monkeypatch.undo()
    assert latch.write()
    assert latch.trouble == ""
    assert Latch(latch.path).reason == "carb 2 overflows"


def test_a_full_disk_does_not_keep_it_from_being_written(latch, monkeypatch):
    """It is overwritten in place: neither a new file nor more room is asked for."""

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "open", full)
    monkeypatch.setattr(os, "posix_fallocate", full)
    assert latch.set("carb 2 overflows", "storm", 1.8e9)
    assert latch.path.stat().st_size == 2 * SLOT


def test_without_room_for_it_nothing_begins(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "posix_fallocate", failing)
    latch = Latch(tmp_path / "latch")
    assert not latch.allocate()
    assert "cannot be made" in latch.trouble


def test_a_reason_that_came_after_the_confirmation_stays(latch):
    seen = latch.number
    latch.hold("carb 2 overflows", "storm", 1.8e9)
    assert latch.lift(seen) == "carb 2 overflows"
    assert latch.reason == "carb 2 overflows"


def test_a_reason_that_comes_while_it_is_lifted_stays(latch, monkeypatch):
    real = os.pwrite

    def meanwhile(file, data, offset):
        monkeypatch.setattr(os, "pwrite", real)
        latch.hold("carb 2 overflows", "storm", 1.8e9)
        return real(file, data, offset)

    monkeypatch.setattr(os, "pwrite", meanwhile)
    assert latch.lift() == "carb 2 overflows"
    assert latch.write()
    assert Latch(latch.path).reason == "carb 2 overflows"


def test_a_disk_that_hangs_delays_nobody_who_only_latches(latch, monkeypatch):
    latch.lift()
    hangs, entered = threading.Event(), threading.Event()
    real = os.fsync

    def slow(file):
        entered.set()
        hangs.wait(10)
        real(file)

    monkeypatch.setattr(os, "fsync", slow)
    latch.hold("first", "storm", 1.0)
    writer = threading.Thread(target=latch.write)
    writer.start()
    assert entered.wait(5)
    latch.hold("second", "fast", 2.0)
    assert latch.reason == "second"
    assert not latch.wait(0.01)
    hangs.set()
    writer.join(5)
    assert latch.write()
    assert latch.wait(5)
    assert Latch(latch.path).reason == "second"


def test_one_that_opens_while_the_disk_is_full_is_no_older_than_what_lies_there(latch, monkeypatch):
    for _ in range(5):
        latch.hold("again", "x", 1.0)
        latch.write()
        latch.lift()
    real_open, real_pwrite = os.open, os.pwrite
    monkeypatch.setattr("soakmon.records.latch.os.open", failing)
    blind = Latch(latch.path)
    monkeypatch.setattr("soakmon.records.latch.os.open", real_open)
    monkeypatch.setattr("soakmon.records.latch.os.pwrite", failing)
    assert not blind.write()
    monkeypatch.setattr("soakmon.records.latch.os.pwrite", real_pwrite)
    assert blind.write()
    assert "cannot be read" in Latch(latch.path).reason


def test_a_note_that_could_not_be_read_is_written_as_soon_as_it_can_be(latch, monkeypatch):
    """Else the next start would find whatever it said before, and the feed might open."""
    latch.lift()
    real = os.open
    monkeypatch.setattr("soakmon.records.latch.os.open", failing)
    blind = Latch(latch.path)
    assert not blind.write()
    monkeypatch.setattr("soakmon.records.latch.os.open", real)
    assert blind.wait_for_change(0.0)
    assert blind.write()
    assert "cannot be read" in Latch(latch.path).reason


def test_a_file_that_could_not_be_opened_and_can_be_again_says_what_memory_says(latch, monkeypatch):
    """It was off when the process died; what came up since then must not be lost with the next."""
    latch.lift()
    for _ in range(5):
        latch.hold("again", "x", 1.0)
        latch.write()
        latch.lift()
    real = os.open

    def broken(*given):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr("soakmon.records.latch.os.open", broken)
    blind = Latch(latch.path)
    blind.hold("carb 2 overflows", "storm", 1.0)
    assert not blind.write()
    assert "cannot be made" in blind.trouble
    monkeypatch.setattr("soakmon.records.latch.os.open", real)
    assert blind.wait_for_change(0.0)
    assert blind.write()
    assert blind.trouble == ""
    assert Latch(latch.path).reason == "carb 2 overflows"
