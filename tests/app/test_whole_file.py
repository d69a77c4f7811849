"""A file that is there whole, or as it was; what commissioning keeps in one."""

from __future__ import annotations

import logging
import threading

import pytest

from soakmon.app.commission_desk import CommissionDesk
from soakmon.app.commission_saved import FILE, read_saved, write_saved
from soakmon.app.whole_file import write_whole
from soakmon.errors import InputError


def test_what_cannot_be_put_in_place_leaves_the_old_and_is_one_line(tmp_path, monkeypatch):
    file = tmp_path / "kept"
    write_whole(file, "old\n")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(type(file), "replace", full)
    with pytest.raises(InputError, match="kept: cannot be written: No space left"):
        write_whole(file, "new\n")
    assert file.read_text() == "old\n"


def test_a_folder_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        write_saved(tmp_path / "nowhere", {})


def test_commissioning_goes_on_where_nothing_can_be_kept(tmp_path, caplog):
    desk = CommissionDesk.__new__(CommissionDesk)
    desk.folder, desk.saved, desk.lock = tmp_path, {"a": 1}, threading.Lock()
    desk._keep(b=2)
    assert read_saved(tmp_path) == {"a": 1, "b": 2}
    (tmp_path / FILE).unlink()
    desk.folder = tmp_path / "nowhere"
    with caplog.at_level(logging.WARNING):
        desk._keep(c=3)
    assert desk.saved == {"a": 1, "b": 2, "c": 3}
    assert "cannot be written" in caplog.text
