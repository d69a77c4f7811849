"""The number of an installation."""

from __future__ import annotations

import uuid

from soakmon.records.identity import bench_id


def test_it_stays_and_is_its_own(tmp_path):
    (tmp_path / "other").mkdir()
    assert bench_id(tmp_path) == bench_id(tmp_path) != bench_id(tmp_path / "other")
    assert str(uuid.UUID(bench_id(tmp_path))) == bench_id(tmp_path)


def test_the_number_of_an_earlier_version_stays(tmp_path):
    (tmp_path / "bench_id").write_text("0123456789ab\n")
    assert bench_id(tmp_path) == "0123456789ab"


def test_where_it_cannot_be_kept_there_is_none(tmp_path):
    (tmp_path / "file").write_text("")
    assert bench_id(tmp_path / "file" / "data") == ""


def test_the_folder_is_made(tmp_path):
    assert bench_id(tmp_path / "new" / "data") == bench_id(tmp_path / "new" / "data") != ""


def test_nonsense_is_made_anew(tmp_path):
    (tmp_path / "bench_id").write_text("../../etc\n")
    assert bench_id(tmp_path) == (tmp_path / "bench_id").read_text().strip() != "../../etc"
