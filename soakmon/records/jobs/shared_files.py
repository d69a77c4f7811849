"""Attachments in the database, in blocks, so that all benches reach them; a copy beside each bench.

The folder is the bench's own copy: what it keeps goes to both, and what another bench has kept is
fetched when it is asked for. An object store would take less of the database's room; it would be
one more server to set up, to secure and to back up together with the database that names its files.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from sqlalchemy import Connection, Engine, Select, insert, select
from sqlalchemy.exc import IntegrityError

from soakmon.records.jobs.files import FileStore, sha256_of
from soakmon.records.jobs.models import AttachmentBlock

_BLOCK = 1 << 20


class SharedFiles(FileStore):
    """A folder of files named by their SHA-256, each of them in the database as well."""

    def __init__(self, folder: Path, engine: Engine) -> None:
        super().__init__(folder)
        self.engine = engine
        self._joined = threading.local()

    @contextmanager
    def joined(self, connection: Connection) -> Iterator[None]:
        """What this thread keeps and fetches meanwhile is part of a transaction, by its connection.

        With a connection more a hundred benches that keep their reports at once would hold all
        that the server has, and wait for each other.
        """
        before = getattr(self._joined, "connection", None)
        self._joined.connection = connection
        try:
            yield
        finally:
            self._joined.connection = before

    @contextmanager
    def _connection(self) -> Iterator[Connection]:
        own: Connection | None = getattr(self._joined, "connection", None)
        if own is not None:
            yield own
            return
        with self.engine.begin() as connection:
            yield connection

    def add_stream(self, stream: IO[bytes], name: str) -> tuple[str, int]:
        """Keep what a stream holds, here and in the database."""
        sha256, size = super().add_stream(stream, name)
        self.share(sha256)
        return sha256, size

    def share(self, sha256: str) -> bool:
        """Put a file of the folder into the database; False when it is there already."""
        with self._connection() as connection:
            if connection.scalar(_blocks(sha256).limit(1)) is not None:
                return False
            return self._insert(connection, sha256)

    def _insert(self, connection: Connection, sha256: str) -> bool:
        try:
            with connection.begin_nested(), super().path(sha256).open("rb") as file:
                place = 0
                # A file without content is one empty block: else it would not be there.
                while (data := file.read(_BLOCK)) or place == 0:
                    values = {"sha256": sha256, "place": place, "data": data}
                    connection.execute(insert(AttachmentBlock), values)
                    place += 1
        except IntegrityError:
            return False  # another bench was quicker
        return True

    def share_all(self) -> int:
        """Put all files of the folder into the database; how many were not there yet."""
        names = [file.name for file in sorted(self.folder.glob("??/*")) if len(file.name) == 64]
        return sum(self.share(name) for name in names)

    def path(self, sha256: str) -> Path:
        """Where a file lies, fetched first where another bench has kept it."""
        path = super().path(sha256)
        if not path.exists():
            self._fetch(sha256, path)
        return path

    def _fetch(self, sha256: str, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=self.folder, prefix=".part-", delete=False) as part:
            try:
                with self._connection() as connection:
                    places = connection.scalars(_blocks(sha256)).all()
                    for place in places:
                        part.write(connection.scalars(_block(sha256, place)).one())
                part.flush()
                if places and sha256_of(Path(part.name)) == sha256:
                    Path(part.name).chmod(0o640)
                    Path(part.name).replace(path)
            finally:
                Path(part.name).unlink(missing_ok=True)


def _blocks(sha256: str) -> Select[int]:
    asked = select(AttachmentBlock.place).where(AttachmentBlock.sha256 == sha256)
    return asked.order_by(AttachmentBlock.place)


def _block(sha256: str, place: int) -> Select[bytes]:
    own = AttachmentBlock.sha256 == sha256, AttachmentBlock.place == place
    return select(AttachmentBlock.data).where(*own)
