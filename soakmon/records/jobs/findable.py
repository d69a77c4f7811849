"""Jobs are found by words: what SQL alone cannot do for it.

Jobs of earlier versions get the text that they are found by, and PostgreSQL its index of trigrams,
where its extension pg_trgm is there or may be made; without it a search reads all jobs.
"""

from __future__ import annotations

from sqlalchemy import Connection, bindparam, select, text, update
from sqlalchemy.exc import DBAPIError

from soakmon.records.jobs.models import SEARCHED, Job, search_text

_PIECE = 1000
_HAS_INDEX = text("SELECT 1 FROM pg_indexes WHERE indexname = 'job_sought_trigram'")
_TRIGRAMS = (
    "CREATE EXTENSION IF NOT EXISTS pg_trgm",
    "CREATE INDEX job_sought_trigram ON job USING gin (sought gin_trgm_ops)",
)


def make_findable(connection: Connection, *, with_index: bool) -> None:
    """Fill in what is missing; the caller commits. with_index: and have the index of trigrams."""
    columns = [Job.id, *(getattr(Job, name) for name in SEARCHED)]
    # Jobs have no number twice: in two processes at once each fills in the same.
    while rows := connection.execute(
        select(*columns).where(Job.sought.is_(None)).limit(_PIECE)
    ).all():
        changed = [
            {"which": row[0], "text": search_text(dict(zip(SEARCHED, row[1:], strict=True)))}
            for row in rows
        ]
        filled = update(Job.__table__).where(Job.__table__.c.id == bindparam("which"))  # type: ignore[arg-type]
        connection.execute(filled.values(sought=bindparam("text")), changed)
    has = connection.dialect.name != "postgresql" or not with_index
    if not has and not connection.scalar(_HAS_INDEX):
        _make_trigrams(connection)


def _make_trigrams(connection: Connection) -> None:
    try:
        with connection.begin_nested():
            for statement in _TRIGRAMS:
                connection.exec_driver_sql(statement)
    except DBAPIError:
        return  # a role that may not make it: searches take longer, and find the same
