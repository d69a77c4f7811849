"""What the owner of a shared database does with it: look at its version, bring it up to date."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from soakmon.errors import InputError
from soakmon.records.jobs.findable import make_findable
from soakmon.records.jobs.migrate import migrate, state_of
from soakmon.records.jobs.store import engine_of, first_line


def versions(folder: Path, url: str) -> tuple[int, int]:
    """What a program must know at least, and the latest step that was applied."""
    try:
        with engine_of(folder, url).connect() as connection:
            return state_of(connection)
    except DBAPIError as error:
        raise InputError(first_line(error)) from None


def brought_up(connection: Connection, *, contract: bool) -> tuple[int, int, int]:
    """As `bring_up`, in a transaction of the caller's."""
    _, before = state_of(connection)
    after = migrate(connection, contract=contract)
    make_findable(connection, with_index=True)
    return before, after, state_of(connection)[0]


def bring_up(folder: Path, url: str, *, contract: bool) -> tuple[int, int, int]:
    """Apply what is missing: the version before, after, and what a program must know from now on.

    contract: also take away what older programs need.
    """
    try:
        with engine_of(folder, url).begin() as connection:
            return brought_up(connection, contract=contract)
    except DBAPIError as error:
        raise InputError(first_line(error)) from None
