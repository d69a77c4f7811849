"""Files with secrets: whole or as they were, and at no moment open to others."""

from __future__ import annotations

import os
import stat

import pytest

from soakmon.enrol.secret_files import rewrite_secret, write_secret
from soakmon.errors import InputError


def mode_of(path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_new_file_is_for_its_owner_alone_unless_said(tmp_path):
    rewrite_secret(tmp_path / "one", "word\n")
    write_secret(tmp_path / "two", "word\n", mode=0o640)
    assert [mode_of(tmp_path / name) for name in ("one", "two")] == [0o600, 0o640]
    assert (tmp_path / "two").read_text() == "word\n"


def test_written_anew_it_keeps_owner_group_and_mode(tmp_path):
    file = tmp_path / "passwords"
    file.write_text("old")
    file.chmod(0o640)
    if os.geteuid() == 0:
        os.chown(file, 1234, 4321)
    was = file.stat()
    rewrite_secret(file, "new")
    now = file.stat()
    assert (now.st_mode, now.st_uid, now.st_gid) == (was.st_mode, was.st_uid, was.st_gid)
    assert file.read_text() == "new"


def test_what_an_earlier_try_left_open_is_closed_before_anything_is_written(tmp_path, monkeypatch):
    part = tmp_path / "secret.part"
    part.write_text("old")
    part.chmod(0o666)
    seen, sync = [], os.fsync

    def looked(handle: int) -> None:
        seen.append((mode_of(part), part.read_text()))
        sync(handle)

    monkeypatch.setattr(os, "fchown", lambda *_: seen.append((mode_of(part), part.read_text())))
    monkeypatch.setattr(os, "fsync", looked)
    write_secret(tmp_path / "secret", "word", mode=0o640)
    assert seen == [(0o600, "word"), (0o640, "word")]
    assert not part.exists()


def test_what_cannot_be_written_is_one_error_and_leaves_the_old(tmp_path, monkeypatch):
    file = tmp_path / "secret"
    write_secret(file, "old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match=r"secret.*No space left"):
        write_secret(file, "new")
    assert file.read_text() == "old"
