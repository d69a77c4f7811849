"""Who may what in the job records: a role for each bench, that sees its own shop alone.

Rows are told apart by the database (`records/jobs/steps/0006_shared.sql`), not by the benches.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError

from soakmon.bench_address import address_of
from soakmon.errors import InputError
from soakmon.records.jobs.server import server_engine
from soakmon.records.jobs.store import first_line
from soakmon.records.jobs.upkeep import brought_up
from soakmon.texts import say

GROUP = "soakmon_benches"
_LIMIT = 10  # connections of one bench: the service, its page, and a command or two
_RIGHTS = (
    "GRANT USAGE ON SCHEMA {schema} TO {group}",
    "GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA {schema} TO {group}",
    "GRANT USAGE ON ALL SEQUENCES IN SCHEMA {schema} TO {group}",
    "ALTER DEFAULT PRIVILEGES IN SCHEMA {schema}"
    " GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {group}",
    "ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} GRANT USAGE ON SEQUENCES TO {group}",
    # Who is of which shop, and which steps there were, is not theirs to say.
    "REVOKE ALL ON bench_role FROM {group}",
    "REVOKE INSERT, UPDATE, DELETE ON schema_version, schema_step FROM {group}",
)


def role_of(address: str) -> str:
    """The role of a bench: soakmon_<bench>, or soakmon_<shop>/<bench>."""
    return f"soakmon_{address}"


class RecordsAccess:
    """The roles of a database, made by its owner. Every call raises InputError."""

    def __init__(self, owner_url: str) -> None:
        try:
            url = make_url(owner_url)
        except ArgumentError:
            raise InputError(say("enrol.owner_url")) from None
        self.engine = server_engine(url.set(drivername="postgresql+psycopg"))

    def let_in(self, bench: str, shop: str, password: str) -> str:
        """Make the role of a bench, or give it this password; its name."""
        role = role_of(address_of(shop, bench))
        with self._begin() as connection:
            brought_up(connection, contract=False)
            self._group(connection)
            known = _known(connection, role)
            done = "ALTER" if known else "CREATE"
            secret = _encrypted(connection, role, password)
            group = "" if known else f" IN ROLE {GROUP}"
            connection.exec_driver_sql(
                f"{done} ROLE {_quoted(role)} LOGIN CONNECTION LIMIT {_LIMIT}"
                f" PASSWORD '{secret}'{group}"
            )
            connection.execute(
                text(
                    "INSERT INTO bench_role VALUES (:role, :shop, :bench)"
                    " ON CONFLICT (role) DO UPDATE SET shop = excluded.shop"
                ),
                {"role": role, "shop": shop, "bench": bench},
            )
        return role

    def shut_out(self, address: str) -> bool:
        """Take a bench's role away, and its connections; what it has written stays."""
        role = role_of(address)
        with self._begin() as connection:
            if not _known(connection, role):
                return False
            own = {"role": role}
            connection.execute(text("DELETE FROM bench_role WHERE role = :role"), own)
            ended = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = :role"
            connection.execute(text(ended), own)
            connection.exec_driver_sql(f"DROP ROLE {_quoted(role)}")
        return True

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def _group(self, connection: Connection) -> None:
        if not _known(connection, GROUP):
            connection.exec_driver_sql(f"CREATE ROLE {GROUP} NOLOGIN")
        schema = _quoted(str(connection.scalar(text("SELECT current_schema()"))))
        for statement in _RIGHTS:
            connection.exec_driver_sql(statement.format(schema=schema, group=GROUP))

    def _begin(self) -> Any:
        return _Stated(self.engine.begin())


class _Stated:
    """A transaction whose errors are one line."""

    def __init__(self, begun: Any) -> None:
        self.begun = begun

    def __enter__(self) -> Connection:
        try:
            connection: Connection = self.begun.__enter__()
        except DBAPIError as error:
            raise InputError(_line(error)) from None
        return connection

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        try:
            self.begun.__exit__(kind, error, trace)
        except DBAPIError as late:
            raise InputError(_line(late)) from None
        if isinstance(error, DBAPIError):
            raise InputError(_line(error)) from None


def _line(error: DBAPIError) -> str:
    return say("enrol.records", why=first_line(error))


def _known(connection: Connection, role: str) -> bool:
    asked = text("SELECT 1 FROM pg_roles WHERE rolname = :role")
    return connection.scalar(asked, {"role": role}) is not None


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _encrypted(connection: Connection, role: str, password: str) -> str:
    """As the server keeps it (SCRAM): the password itself must not stand in its log."""
    driver: Any = connection.connection.driver_connection
    encrypted: bytes = driver.pgconn.encrypt_password(
        password.encode(), role.encode(), b"scram-sha-256"
    )
    return encrypted.decode()
