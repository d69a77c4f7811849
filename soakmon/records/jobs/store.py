"""Opens the records: SQLite in the data folder, or PostgreSQL by its URL, with the same code."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.orm import Session

from soakmon.errors import InputError
from soakmon.records.jobs.files import FileStore
from soakmon.records.jobs.findable import make_findable
from soakmon.records.jobs.migrate import make_ready
from soakmon.records.jobs.server import PATIENCE_S, server_engine
from soakmon.records.jobs.shared_files import SharedFiles
from soakmon.records.sharing import make_file

DATABASE = "records.db"
_BUSY_S = 30.0

# Atomic in SQLite and in PostgreSQL: two desks that make a job at once get two numbers.
_NEXT = text(
    "INSERT INTO job_counter (year, last) VALUES (:year, 1) "
    "ON CONFLICT (year) DO UPDATE SET last = job_counter.last + 1 RETURNING last"
)
_AT_LEAST = text(
    "INSERT INTO job_counter (year, last) VALUES (:year, :last) "
    "ON CONFLICT (year) DO UPDATE SET last = CASE WHEN job_counter.last < :last THEN :last "
    "ELSE job_counter.last END"
)


class Records:
    """The opened records of a data folder. `files` keeps the attachments."""

    def __init__(
        self, folder: Path, url: str | None = None, *, patience_s: float = PATIENCE_S
    ) -> None:
        """Open; folder and database are made when missing. The folder's own database is brought up
        to date as well; one on a server is by a command alone (`migrate`).

        url: an SQLAlchemy database URL (postgresql://…) instead of the folder's records.db;
        patience_s: how long a server that is full is asked again.
        """
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{folder}: cannot be the data folder: {error.strerror}") from None
        self.engine = engine_of(folder, url, patience_s)
        place = folder / "attachments"
        self.files = FileStore(place) if url is None else SharedFiles(place, self.engine)
        try:
            with self.engine.begin() as connection:
                make_findable(connection, with_index=make_ready(connection))
        except DBAPIError as error:
            self.close()
            raise InputError(f"{self.where}: cannot be opened: {first_line(error)}") from None
        except BaseException:
            self.close()
            raise

    @property
    def where(self) -> str:
        """Where the database is, without its password."""
        if self.engine.dialect.name == "sqlite":
            return str(self.folder / DATABASE)
        return self.engine.url.render_as_string(hide_password=True)

    @contextmanager
    def session(self) -> Iterator[Session]:
        """A transaction: committed at the end, taken back on any error."""
        try:
            with (
                Session(self.engine, expire_on_commit=False) as session,
                session.begin(),
                self._with_files(session),
            ):
                yield session
        except DBAPIError as error:
            raise InputError(f"{self.where}: {first_line(error)}") from None

    def _with_files(self, session: Session) -> AbstractContextManager[None]:
        """Attachments that lie in the database go with the transaction."""
        if isinstance(self.files, SharedFiles):
            return self.files.joined(session.connection())
        return nullcontext()

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    def __enter__(self) -> Records:
        """Use as a context: closed at its end."""
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def next_number(session: Session, now: datetime) -> str:
    """The next free job number of the year, never given twice."""
    year = now.astimezone(UTC).year
    return f"{year}-{int(session.execute(_NEXT, {'year': year}).scalar_one()):04d}"


def take_number(session: Session, number: str) -> None:
    """Let the counter know of a number given elsewhere."""
    year, _, last = number.partition("-")
    session.execute(_AT_LEAST, {"year": int(year), "last": int(last)})


def engine_of(folder: Path, url: str | None, patience_s: float = PATIENCE_S) -> Engine:
    """The database of a data folder, or of a server by its URL; nothing is opened yet."""
    if url is None:
        return _sqlite(folder / DATABASE)
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise InputError("the database URL cannot be read: write postgresql://…") from None
    if parsed.drivername in {"postgresql", "postgres"}:
        parsed = parsed.set(drivername="postgresql+psycopg")
    if parsed.get_backend_name() != "postgresql":
        raise InputError(
            f"{parsed.drivername}: give a postgresql:// URL, or none for SQLite in the data folder"
        )
    try:
        return server_engine(parsed, patience_s=patience_s)
    except (ModuleNotFoundError, NoSuchModuleError):
        raise InputError("PostgreSQL needs its driver: pip install 'soakmon[postgres]'") from None


def _sqlite(path: Path) -> Engine:
    make_file(path)
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": _BUSY_S})

    @event.listens_for(engine, "connect")
    def _connect(dbapi: Any, _record: Any) -> None:
        # The driver must not begin transactions by itself, or schema changes escape them.
        dbapi.isolation_level = None
        dbapi.execute("PRAGMA foreign_keys = ON")
        dbapi.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # Taking the write lock first avoids the deadlock of two readers that both want to write.
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def first_line(error: DBAPIError) -> str:
    """What a database said, in a line."""
    return str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else "database error"
