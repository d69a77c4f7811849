"""Backup and restore of the data folder, while it is in use.

The SQLite databases are copied by their online backup API (a consistent state, whatever is being
written); attachments never change once they are there. Restore takes only files that are soakmon's
own, measures what they unpack to before it writes any of it, and checks everything before it puts
the folder in place. A PostgreSQL database is the business of its own tools.

Who may use the page is not in a backup: it would bring back accounts that have been removed since,
sign-ins, tokens and links, and carry the hashes of passwords about. The accounts of the folder that
is restored into stay as they are, and so does what keeps its feed shut.
"""

from __future__ import annotations

import gzip
import os
import re
import shutil
import sqlite3
import tarfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO

from soakmon.errors import InputError, TroubleError
from soakmon.records.identity import NAME as BENCH_ID
from soakmon.records.jobs.files import FileStore, sha256_of
from soakmon.records.jobs.store import DATABASE
from soakmon.records.latch import NAME as LATCH
from soakmon.records.room import Room

_ATTACHMENTS = "attachments"
_DATABASES = ("journal.db", DATABASE)
_ACCOUNTS = {"page.db", "page.db-wal", "page.db-shm"}
_PLAIN = {*_DATABASES, "priors.toml", BENCH_ID}
_ATTACHMENT = re.compile(r"attachments/([0-9a-f]{2})/(?=\1)[0-9a-f]{64}")
# What stands before a file's content: its name, size and date.
_MOST_HEAD_BYTES = 1 << 20
# What packed files that were made up to do harm have been seen to raise, beside TarError.
_BROKEN = (EOFError, zlib.error, ValueError, OverflowError, RecursionError, IndexError, KeyError)


def backup(folder: Path, target: Path) -> int:
    """Write the data folder to a .tar.gz for its owner alone; returns the number of files.

    Refuses to overwrite.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such data folder")
    if not any((folder / name).exists() for name in _DATABASES):
        raise InputError(f"{folder}: holds no database: nothing of soakmon's to back up")
    if target.exists():
        raise InputError(f"{target}: exists already; give another name")
    part = target.with_name(target.name + ".part")
    try:
        with TemporaryDirectory() as name:
            copies = _copies(folder, Path(name))
            part.unlink(missing_ok=True)
            with _own(part) as file, tarfile.open(fileobj=file, mode="w:gz") as archive:
                for path, inside in copies:
                    archive.add(path, inside, recursive=False, filter=_unsigned)
        part.replace(target)
        return len(copies)
    except (OSError, sqlite3.Error, tarfile.TarError) as error:
        part.unlink(missing_ok=True)
        raise TroubleError(f"{target}: the backup failed: {error}") from None


def _own(path: Path) -> IO[bytes]:
    """A new file that nobody else may read."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")


def _unsigned(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Whose file it was is of no use elsewhere."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    member.mode = 0o600
    return member


def _copies(folder: Path, scratch: Path) -> list[tuple[Path, str]]:
    """(what to pack, its name). Databases first: an attachment is there before its record is."""
    copies = []
    for source in (folder / name for name in _DATABASES if (folder / name).exists()):
        with (
            closing(sqlite3.connect(source)) as database,
            closing(sqlite3.connect(scratch / source.name)) as other,
        ):
            database.backup(other)
        copies.append((scratch / source.name, source.name))
    plain = [folder / name for name in sorted(_PLAIN - set(_DATABASES))]
    plain += sorted((folder / _ATTACHMENTS).rglob("*"))
    inside = [(path, path.relative_to(folder).as_posix()) for path in plain if path.is_file()]
    return copies + [(path, name) for path, name in inside if _is_ours(name)]


def _is_ours(name: str) -> bool:
    return name in _PLAIN or _ATTACHMENT.fullmatch(name) is not None


def restore(source: Path, folder: Path) -> int:
    """Unpack a backup into a data folder without records; returns the files.

    Nothing appears there before names, database and the hash of every attachment are good, and
    nothing is written at all when the disk lacks the room.
    """
    stays = _ACCOUNTS | {LATCH}
    if folder.exists() and (not folder.is_dir() or {p.name for p in folder.iterdir()} - stays):
        raise InputError(f"{folder}: is not empty: move it away, or give another --data")
    try:
        # A tar has no list of what is in it: reading it twice is the price of knowing before.
        for _ in _members(source, folder):
            pass
        base = folder if folder.exists() else folder.parent
        base.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=base, prefix=".restore-") as name:
            unpacked = Path(name) / "data"
            unpacked.mkdir(mode=0o700)
            for archive, member in _members(source, folder):
                _unpack(archive, member, unpacked)
            count = _checked(unpacked)
            _put(unpacked, folder)
            return count
    except (tarfile.TarError, gzip.BadGzipFile, *_BROKEN) as error:
        raise InputError(f"{source}: is not a backup, or damaged: {error}") from None
    except OSError as error:
        raise InputError(f"{source}: cannot be restored: {error.strerror or error}") from None


def _unpack(archive: tarfile.TarFile, member: tarfile.TarInfo, folder: Path) -> None:
    target = folder / member.name
    for above in reversed(target.relative_to(folder).parents[:-1]):
        (folder / above).mkdir(mode=0o700, exist_ok=True)
    content = archive.extractfile(member)
    if content is None:
        raise InputError(f"{member.name!r}: is not a plain file: refused")
    try:
        with content, _own(target) as file:
            shutil.copyfileobj(content, file)
    except FileExistsError:
        raise InputError(f"{member.name!r}: is there twice: refused") from None
    if target.stat().st_size != member.size:
        raise tarfile.ReadError("it is cut short")


def _put(unpacked: Path, folder: Path) -> None:
    """Put what is good in place; whose folder it is, owns what is in it."""
    if not folder.exists():
        unpacked.rename(folder)
        return
    folder.chmod(folder.stat().st_mode & 0o770)
    if os.geteuid() == 0:
        owner = folder.stat()
        for path in unpacked.rglob("*"):
            os.chown(path, owner.st_uid, owner.st_gid)
    for path in sorted(unpacked.iterdir()):
        path.rename(folder / path.name)


def _members(source: Path, folder: Path) -> Iterator[tuple[tarfile.TarFile, tarfile.TarInfo]]:
    """The files of a backup that are soakmon's own, as long as the disk has room for them.

    The accounts that older backups hold are passed over.
    """
    room = Room(folder)
    with _Packed(source) as packed, tarfile.open(fileobj=packed, mode="r:") as archive:
        while (member := archive.next()) is not None:
            # All members would be remembered, and a few packed bytes make a thousand of them.
            archive.members.clear()  # type: ignore[attr-defined]  # the types lack it
            if not member.isfile() or member.issparse():
                raise InputError(f"{member.name[:80]!r}: is not a plain file: refused")
            if member.size < 0:
                raise tarfile.ReadError(f"{member.name[:80]!r}: has a size below nothing")
            room.take(member.size, str(source))
            packed.head_left = None
            if _is_ours(member.name):
                yield archive, member
            elif member.name not in _ACCOUNTS:
                raise InputError(f"{member.name[:80]!r}: is none of soakmon's files: refused")
            packed.head_left = _MOST_HEAD_BYTES


class _Packed(gzip.GzipFile):
    """A packed file of which heads of any length are not read: tarfile takes them into memory.

    head_left: bytes that a head may still have; None while content is read.
    """

    def __init__(self, source: Path) -> None:
        super().__init__(source, "rb")
        self.head_left: int | None = _MOST_HEAD_BYTES

    def read(self, size: int | None = -1) -> bytes:
        """So many bytes, unpacked."""
        if self.head_left is not None:
            self.head_left -= size if size is not None and size >= 0 else _MOST_HEAD_BYTES + 1
            if self.head_left < 0:
                raise tarfile.ReadError("what it says of a file does not end")
        return super().read(size)


def _checked(folder: Path) -> int:
    if not any(folder.glob("*.db")):
        raise InputError("the backup holds no database: it is not one of soakmon's")
    for path in folder.glob("*.db"):
        try:
            with closing(sqlite3.connect(path)) as database:
                answer = database.execute("PRAGMA integrity_check").fetchone()[0]
        except sqlite3.Error as error:
            answer = str(error)
        if answer != "ok":
            raise InputError(f"{path.name}: is damaged in the backup: {answer}")
    for path in (p for p in FileStore(folder / _ATTACHMENTS).folder.rglob("*") if p.is_file()):
        if sha256_of(path) != path.name:
            raise InputError(f"{path.name}: is damaged in the backup")
    return sum(1 for p in folder.rglob("*") if p.is_file())
