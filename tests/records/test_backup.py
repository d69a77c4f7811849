"""Backup and restore of the data folder."""

from __future__ import annotations

import gzip
import io
import shutil
import sqlite3
import tarfile
from collections import namedtuple
from contextlib import closing
from datetime import UTC, datetime

import pytest

from sim.scenarios import SCENARIOS
from soakmon.errors import InputError
from soakmon.job_soak import counsel
from soakmon.records.backup import backup, restore
from soakmon.records.jobs.store import DATABASE, Records
from soakmon.records.jobs.work import all_jobs, attach, find_job, new_job
from soakmon.records.recall import recall
from soakmon.records.room import RESERVE_BYTES
from tests.bench.stepping import Stepped, short

NOW = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.fixture
def data(tmp_path):
    folder = tmp_path / "data"
    (tmp_path / "picture.png").write_bytes(b"invented picture")
    with Records(folder) as records, records.session() as session:
        job = new_job(session, NOW, customer="invented", machine="m", rack="r", carbs=2)
        attach(job, records.files, NOW, tmp_path / "picture.png")
    (folder / "priors.toml").write_text("[limits]\nmost = 3\n")
    return folder


def test_what_was_backed_up_comes_back(data, tmp_path):
    assert backup(data, tmp_path / "b.tgz") == 3
    assert restore(tmp_path / "b.tgz", tmp_path / "new" / "data") == 3
    with Records(tmp_path / "new" / "data") as records, records.session() as session:
        job = find_job(session, "2026-0001")
        assert records.files.check(job.attachments[0].sha256).read_bytes() == b"invented picture"
    assert (tmp_path / "new" / "data" / "priors.toml").exists()


def test_a_backup_while_another_writes_holds_what_was_committed(data, tmp_path):
    with closing(sqlite3.connect(data / DATABASE, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("DELETE FROM job")
        backup(data, tmp_path / "b.tgz")
        writer.execute("ROLLBACK")
    restore(tmp_path / "b.tgz", tmp_path / "new")
    with Records(tmp_path / "new") as records, records.session() as session:
        assert len(all_jobs(session)) == 1


def test_a_backup_of_a_running_soak_is_whole_and_the_soak_goes_on_from_it(tmp_path):
    """Taken between two readings; restored elsewhere, the service takes the soak up by itself."""
    folder = tmp_path / "bench"
    bench = Stepped(folder, SCENARIOS["dry-rack"], bench=short(2), every_s=2.0)
    with Records(folder) as records, records.session() as session:
        job = new_job(session, NOW, customer="invented", machine="m", rack="r", carbs=4).number
    bench.service.consult = counsel(folder, bench.bench, invented=True)
    bench.service.read_air()
    bench.service.start_soak("invented rack", job, cautions_confirmed=True)
    bench.run(1.0)
    assert bench.session.phase == "soaking"
    committed_s = bench.journal.resume()[1].t_s
    backup(folder, tmp_path / "b.tgz")
    bench.run(0.2)
    bench.journal.close()
    bench.simulation.set_feed(False)

    restore(tmp_path / "b.tgz", tmp_path / "new")
    again = Stepped(
        tmp_path / "new", SCENARIOS["dry-rack"], bench=bench.bench, boot="second boot",
        every_s=2.0, simulation=bench.simulation,
    )  # fmt: skip
    assert again.journal.check() == "ok"
    assert float(again.journal.read_rows(1).t_s[-1]) == committed_s
    again.service._take_up()
    assert again.session.phase == "soaking"
    assert again.simulation.feed_open
    assert again.journal.soaks()[0].job == job
    again.run(3)
    again.journal.close()
    found = recall(tmp_path / "new" / "journal.db", job)
    assert found.entry.verdict is not None
    assert found.told.job == job
    resumed = [event for event in found.events if event.kind == "resumed"]
    assert [event.data["gap_s"] for event in resumed] == [pytest.approx(720, abs=20)]


def test_nothing_is_overwritten(data, tmp_path):
    backup(data, tmp_path / "b.tgz")
    with pytest.raises(InputError, match="exists already"):
        backup(data, tmp_path / "b.tgz")
    with pytest.raises(InputError, match="not empty"):
        restore(tmp_path / "b.tgz", data)
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no database"):
        backup(tmp_path / "empty", tmp_path / "c.tgz")
    with pytest.raises(InputError, match="no such data folder"):
        backup(tmp_path / "none", tmp_path / "c.tgz")


def _tar(path, members):
    with tarfile.open(path, "w:gz") as archive:
        for info, content in members:
            info.size = len(content)
            archive.addfile(info, io.BytesIO(content))


def _info(name, kind=tarfile.REGTYPE):
    info = tarfile.TarInfo(name)
    info.type = kind
    info.linkname = "/etc/hostname"
    return info


@pytest.mark.parametrize(
    ("members", "says"),
    [
        ([(_info("../evil"), b"x")], "outside|leaves|not a backup"),
        ([(_info("link", tarfile.SYMTYPE), b"")], "not a plain file"),
        ([(_info("other.txt"), b"x")], "holds no database"),
        ([(_info(DATABASE), b"no database" * 500)], "is damaged"),
        ([(_info(DATABASE), b""), (_info("attachments/aa/" + "a" * 64), b"x")], "is damaged"),
        ([(_info(DATABASE), b""), (_info("attachments/aa/short"), b"x")], "SHA-256"),
    ],
)
def test_backups_that_are_not_good_leave_nothing_behind(tmp_path, members, says):
    _tar(tmp_path / "b.tgz", members)
    with pytest.raises(InputError, match=says):
        restore(tmp_path / "b.tgz", tmp_path / "new")
    assert [p.name for p in tmp_path.iterdir()] == ["b.tgz"]


def test_a_backup_cut_short_is_one_clear_line(data, tmp_path):
    backup(data, tmp_path / "b.tgz")
    whole = (tmp_path / "b.tgz").read_bytes()
    (tmp_path / "b.tgz").write_bytes(whole[: len(whole) // 2])
    for source in (tmp_path / "b.tgz", tmp_path / "none.tgz"):
        with pytest.raises(InputError):
            restore(source, tmp_path / "new")
    assert not (tmp_path / "new").exists()


Usage = namedtuple("Usage", "total used free")


def _free(monkeypatch, beside_reserve_bytes):
    usage = Usage(10**12, 0, RESERVE_BYTES + beside_reserve_bytes)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)


def _heads(path, *heads):
    """A packed tar of heads alone: what they promise does not follow, or as zeros."""
    with gzip.open(path, "wb") as file:
        for head in heads:
            file.write(head)


def _head(name, size_bytes, kind=tarfile.REGTYPE):
    info = _info(name, kind)
    info.size = size_bytes
    return info.tobuf(tarfile.GNU_FORMAT)


def _zeros(size_bytes):
    return bytes(size_bytes)


@pytest.mark.parametrize(
    "heads",
    [
        (_head(DATABASE, 60_000_000), _zeros(60_000_000), _zeros(10_240)),
        # Only announced: refused without being looked for.
        (_head(DATABASE, 10**14),),
        (_head(DATABASE, 0), _head("attachments/aa/" + "a" * 64, 60_000_000)),
        # Small files by the thousand take a block each.
        tuple(_head(f"{i}.toml", 1) + _zeros(512) for i in range(13_000)),
    ],
    ids=["zeros", "announced", "attachment", "thousands"],
)
def test_a_backup_that_the_disk_has_no_room_for_is_refused_before_anything_is_written(
    tmp_path, monkeypatch, heads
):
    _heads(tmp_path / "b.tgz", *heads)
    assert (tmp_path / "b.tgz").stat().st_size < 200_000
    _free(monkeypatch, 50_000_000)
    made = []
    monkeypatch.setattr("soakmon.records.backup.TemporaryDirectory", made.append)
    with pytest.raises(InputError, match=r"b\.tgz: unpacks to .* MB or more") as refused:
        restore(tmp_path / "b.tgz", tmp_path / "new" / "data")
    assert "room for 50 MB beside the 200 MB that must stay free: make room" in str(refused.value)
    assert "\n" not in str(refused.value)
    assert made == []
    assert [p.name for p in tmp_path.iterdir()] == ["b.tgz"]


@pytest.mark.parametrize(
    ("heads", "says"),
    [
        ((_head("n", 4_000_000, tarfile.GNUTYPE_LONGNAME), _zeros(4_000_000)), "does not end"),
        ((_head("n", 4_000_000, tarfile.XHDTYPE), _zeros(4_000_000)), "does not end"),
        ((_head("x.db", -512),), "below nothing|not a backup"),
        ((_head("x.db", 0, tarfile.GNUTYPE_SPARSE),), "not a plain file"),
    ],
    ids=["long name", "long words", "negative", "holes"],
)
def test_a_backup_whose_heads_are_made_up_is_refused(tmp_path, heads, says):
    _heads(tmp_path / "b.tgz", *heads, _zeros(10_240))
    with pytest.raises(InputError, match=says):
        restore(tmp_path / "b.tgz", tmp_path / "new" / "data")
    assert [p.name for p in tmp_path.iterdir()] == ["b.tgz"]


def test_a_backup_that_just_fits_is_restored(data, tmp_path, monkeypatch):
    backup(data, tmp_path / "b.tgz")
    blocks = sum(-(-p.stat().st_size // 4096) for p in data.rglob("*") if p.is_file())
    _free(monkeypatch, 4096 * blocks - 1)
    with pytest.raises(InputError, match="unpacks to"):
        restore(tmp_path / "b.tgz", tmp_path / "new")
    _free(monkeypatch, 4096 * blocks)
    assert restore(tmp_path / "b.tgz", tmp_path / "new") == 3
