"""Backup and restore of the data folder."""

from __future__ import annotations

import gzip
import io
import os
import shutil
import sqlite3
import stat
import tarfile
from collections import namedtuple
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.scenarios import SCENARIOS
from soakmon.app.soak_context import context_provider
from soakmon.bench.commands import RefusedError
from soakmon.bench.resume import take_up
from soakmon.errors import InputError, TroubleError
from soakmon.page.store import Role, Store
from soakmon.records.backup import backup, restore
from soakmon.records.jobs.store import DATABASE, Records
from soakmon.records.jobs.work import all_jobs, attach, find_job, new_job
from soakmon.records.recall import recall
from soakmon.records.room import RESERVE_BYTES
from tests.bench.stepping import Stepped, short
from tests.desk import Desk

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
    bench.service.context_for = context_provider(folder, bench.bench, invented=True)
    bench.service.sampling.read_air()
    bench.service.commands.start_soak("invented rack", job, cautions_confirmed=True)
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
    take_up(again.service)
    # Its latch is not in a backup: it is watched on to its verdict, but nothing opens the feed.
    assert again.session.phase == "isolating"
    with pytest.raises(RefusedError, match="stays shut"):
        again.service.commands.resume_feed(cautions_confirmed=True)
    assert not again.simulation.feed_open
    assert again.journal.soaks()[0].job == job
    again.run(3)
    again.journal.close()
    found = recall(tmp_path / "new" / "journal.db", job)
    assert found.entry.verdict is not None
    assert found.context.job == job
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
        ([(_info("../evil"), b"x")], "none of soakmon's files"),
        ([(_info("link", tarfile.SYMTYPE), b"")], "not a plain file"),
        ([(_info("other.txt"), b"x")], "none of soakmon's files"),
        ([(_info("evil.db"), b"x")], "none of soakmon's files"),
        ([(_info("latch"), b"")], "none of soakmon's files"),
        ([(_info("x\x1b[2J" + "/x" * 3000), b"")], "none of soakmon's files"),
        ([(_info(f"./{DATABASE}"), b"")], "none of soakmon's files"),
        ([(_info("priors.toml"), b"x")], "holds no database"),
        ([(_info(DATABASE), b""), (_info(DATABASE), b"")], "is there twice"),
        ([(_info(DATABASE), b"no database" * 500)], "is damaged"),
        ([(_info(DATABASE), b""), (_info("attachments/aa/" + "a" * 64), b"x")], "is damaged"),
        ([(_info(DATABASE), b""), (_info("attachments/aa/short"), b"x")], "none of"),
        ([(_info("attachments/ab/" + "a" * 64), b"x")], "none of"),
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
        tuple(_head(f"attachments/aa/aa{i:062x}", 1) + _zeros(512) for i in range(13_000)),
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


def test_an_archive_that_is_only_depth_is_refused(tmp_path):
    """Names for names for names: the reader of tar files calls itself for each of them."""
    name = _head("n", 1, tarfile.GNUTYPE_LONGNAME) + b"x" + _zeros(511)
    for kind in (tarfile.GNUTYPE_LONGNAME, tarfile.XHDTYPE):
        _heads(tmp_path / "b.tgz", *[name.replace(b"L", kind, 1)] * 900, _zeros(10_240))
        with pytest.raises(InputError, match="not a backup, or damaged") as refused:
            restore(tmp_path / "b.tgz", tmp_path / "new")
        assert "\n" not in str(refused.value)
    assert [p.name for p in tmp_path.iterdir()] == ["b.tgz"]


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    changes=st.dictionaries(st.integers(0, 3071), st.integers(0, 255), min_size=1, max_size=12),
    cut=st.integers(0, 10_240),
)
def test_whatever_is_changed_in_an_archive_is_told_in_one_line(changes, cut):
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode="w", format=tarfile.PAX_FORMAT) as archive:
        info = _info(DATABASE)
        info.pax_headers = {"comment": "ü", "mtime": "1.5"}
        archive.addfile(info, io.BytesIO(b""))
    plain = bytearray(held.getvalue())
    for place, value in changes.items():
        plain[place] = value
    # The sums of the heads are made to fit, so that what is behind them is read.
    for start in range(0, 3072, 512):
        head = plain[start : start + 512]
        head[148:156] = b" " * 8
        plain[start + 148 : start + 156] = b"%06o\0 " % sum(head)
    with TemporaryDirectory() as name:
        _heads(Path(name) / "b.tgz", bytes(plain[: len(plain) - cut]))
        try:
            restore(Path(name) / "b.tgz", Path(name) / "new")
        except InputError as error:
            assert len(str(error).splitlines()) == 1  # noqa: PT017 - it may be restored as well


def test_a_backup_that_cannot_be_written_may_be_tried_again(data, tmp_path):
    with pytest.raises(TroubleError, match="the backup failed"):
        backup(data, tmp_path / "no such folder" / "b.tgz")


def _mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_nobody_else_may_read_a_backup_or_what_it_restores(data, tmp_path):
    before = os.umask(0)
    try:
        backup(data, tmp_path / "b.tgz")
        restore(tmp_path / "b.tgz", tmp_path / "new")
    finally:
        os.umask(before)
    assert _mode(tmp_path / "b.tgz") == 0o600
    found = list((tmp_path / "new").rglob("*"))
    assert {_mode(path) for path in found if path.is_file()} == {0o600}
    assert {_mode(path) for path in [tmp_path / "new", *found] if path.is_dir()} == {0o700}


def accounts(folder, *names):
    """page.db of a folder, with accounts of those names; what opens it as the last."""
    store = Store(folder / "page.db", 3600.0)
    for name in names:
        store.set_account(name, Role.RUN, "no hash")
    secrets = (store.open_session(names[-1]), store.make_token("script", Role.RUN, 99),
               store.make_link(1, 99)[0])  # fmt: skip
    store.close()
    return secrets


def opens(folder, secrets):
    store = Store(folder / "page.db", 3600.0)
    session, token, link = secrets
    found = (store.session(session), store.token(token), store.linked(link))
    names = [name for name, _ in store.accounts()]
    store.close()
    return any(one is not None for one in found), names


def test_a_backup_brings_back_nobody_who_may_use_the_page(data, tmp_path):
    """Nor does one that was made when accounts were still in it."""
    old = accounts(data, "ada", "dismissed")
    backup(data, tmp_path / "b.tgz")
    with tarfile.open(tmp_path / "b.tgz") as archive:
        assert "page.db" not in archive.getnames()
    with tarfile.open(tmp_path / "old.tgz", "w:gz") as archive:
        for name in (DATABASE, "page.db"):
            archive.add(data / name, name)
    for source in ("b.tgz", "old.tgz"):
        folder = tmp_path / f"of {source}"
        restore(tmp_path / source, folder)
        assert not (folder / "page.db").exists()
        assert opens(folder, old) == (False, [])


def test_the_accounts_and_the_latch_of_the_folder_stay(data, tmp_path):
    backup(data, tmp_path / "b.tgz")
    folder = tmp_path / "bench"
    now = accounts(folder, "ada")
    (folder / "latch").write_bytes(b"shut")
    (folder).chmod(0o755)
    restore(tmp_path / "b.tgz", folder)
    assert opens(folder, now) == (True, ["ada"])
    assert (folder / "latch").read_bytes() == b"shut"
    assert _mode(folder) == 0o750
    with Records(folder) as records, records.session() as session:
        assert len(all_jobs(session)) == 1
    assert not [path for path in folder.iterdir() if path.name.startswith(".restore")]
    with pytest.raises(InputError, match="not empty"):
        restore(tmp_path / "b.tgz", folder)


def test_the_commands_say_what_is_not_restored(data, tmp_path):
    desk = Desk(data)
    assert "accounts, tokens and links are not" in desk("backup", str(tmp_path / "b.tgz")).out
    desk = Desk(tmp_path / "new")
    assert "no accounts, tokens or links" in " ".join(
        desk("restore", str(tmp_path / "b.tgz")).out.split()
    )


def test_a_backup_that_just_fits_is_restored(data, tmp_path, monkeypatch):
    backup(data, tmp_path / "b.tgz")
    blocks = sum(-(-p.stat().st_size // 4096) for p in data.rglob("*") if p.is_file())
    _free(monkeypatch, 4096 * blocks - 1)
    with pytest.raises(InputError, match="unpacks to"):
        restore(tmp_path / "b.tgz", tmp_path / "new")
    _free(monkeypatch, 4096 * blocks)
    assert restore(tmp_path / "b.tgz", tmp_path / "new") == 3
