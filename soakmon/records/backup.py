"""Backup and restore of the data folder, while it is in use.

The SQLite database is copied by its online backup API (a consistent state, whatever is being
written); attachments never change once they are there. Restore measures what a backup unpacks to
before it writes any of it, and checks everything before it puts the folder in place. A PostgreSQL
database is the business of its own tools.
"""

from __future__ import annotations

import gzip
import shutil
import sqlite3
import tarfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon.errors import InputError
from soakmon.records.jobs.files import FileStore, sha256_of
from soakmon.records.room import Room

_ATTACHMENTS = "attachments"
# What stands before a file's content: its name, size and date.
_MOST_HEAD_BYTES = 1 << 20


def backup(folder: Path, target: Path) -> int:
    """Write the data folder to a .tar.gz; returns the number of files. Refuses to overwrite.

    Every SQLite database in the folder is copied consistently, and priors.toml.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such data folder")
    if not any(folder.glob("*.db")):
        raise InputError(f"{folder}: holds no database: nothing of soakmon's to back up")
    if target.exists():
        raise InputError(f"{target}: exists already; give another name")
    part = target.with_name(target.name + ".part")
    try:
        with TemporaryDirectory() as name:
            copies = _copies(folder, Path(name))
            with tarfile.open(part, "w:gz") as archive:
                for path, inside in copies:
                    archive.add(path, inside, recursive=False)
        part.replace(target)
        return len(copies)
    except (OSError, sqlite3.Error, tarfile.TarError) as error:
        part.unlink(missing_ok=True)
        raise InputError(f"{target}: the backup failed: {error}") from None


def _copies(folder: Path, scratch: Path) -> list[tuple[Path, str]]:
    """(what to pack, its name). Databases first: an attachment is there before its record is."""
    found = []
    for source in sorted(folder.glob("*.db")):
        with (
            closing(sqlite3.connect(source)) as one,
            closing(sqlite3.connect(scratch / source.name)) as other,
        ):
            one.backup(other)
        found.append((scratch / source.name, source.name))
    found += [(path, path.name) for path in sorted(folder.glob("*.toml"))]
    found += [
        (path, path.relative_to(folder).as_posix())
        for path in sorted((folder / _ATTACHMENTS).rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    ]
    return found


def restore(source: Path, folder: Path) -> int:
    """Unpack a backup into a data folder that does not exist or is empty; returns the files.

    Nothing appears there before names, database and the hash of every attachment are good, and
    nothing is written at all when the disk lacks the room.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: is not empty: move it away, or give another --data")
    try:
        # A tar has no list of what is in it: reading it twice is the price of knowing before.
        for _ in _plain(source, folder):
            pass
        folder.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder.parent, prefix=".restore-") as name:
            made = Path(name) / "data"
            made.mkdir()
            for archive, member in _plain(source, folder):
                # The filter refuses absolute names, names that leave the folder, and devices.
                archive.extract(member, made, filter="data")
            count = _checked(made)
            if folder.exists():
                folder.rmdir()
            shutil.move(made, folder)
            return count
    except (tarfile.TarError, gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise InputError(f"{source}: is not a backup, or damaged: {error}") from None
    except OSError as error:
        raise InputError(f"{source}: cannot be restored: {error.strerror or error}") from None


def _plain(source: Path, folder: Path) -> Iterator[tuple[tarfile.TarFile, tarfile.TarInfo]]:
    """The members of a backup, as long as they are plain files and the disk has room for them."""
    room = Room(folder.absolute().parent)
    with _Packed(source) as packed, tarfile.open(fileobj=packed, mode="r:") as archive:
        while (member := archive.next()) is not None:
            # All members would be remembered, and a few packed bytes make a thousand of them.
            archive.members.clear()  # type: ignore[attr-defined]  # the types lack it
            if not member.isfile() or member.issparse():
                raise InputError(f"{member.name!r}: is not a plain file: refused")
            if member.size < 0:
                raise tarfile.ReadError(f"{member.name!r}: has a size below nothing")
            room.take(member.size, str(source))
            packed.head_left = None
            yield archive, member
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
                said = database.execute("PRAGMA integrity_check").fetchone()[0]
        except sqlite3.Error as error:
            said = str(error)
        if said != "ok":
            raise InputError(f"{path.name}: is damaged in the backup: {said}")
    store = FileStore(folder / _ATTACHMENTS)
    files = [p for p in store.folder.rglob("*") if p.is_file()]
    for path in files:
        if path != store.path(path.name) or sha256_of(path) != path.name:
            raise InputError(f"{path.name}: is damaged in the backup")
    return sum(1 for p in folder.rglob("*") if p.is_file())
