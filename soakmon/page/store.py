"""Who may use the page: accounts, sign-ins, tokens of scripts and links to single reports.

Secrets are kept as SHA-256 digests (they are random and long) or Argon2 hashes (passwords), so that
a copy of the file opens nothing.
"""

from __future__ import annotations

import hashlib
import secrets
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from soakmon.errors import InputError, SoakmonError, TroubleError

_WAIT_S = 5.0
_SEEN_EVERY_S = 60.0
LONGEST_SESSION_S = 30 * 86400.0

_TABLES = """
CREATE TABLE IF NOT EXISTS account (
    name TEXT PRIMARY KEY, role TEXT NOT NULL, password TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS session (
    digest TEXT PRIMARY KEY, name TEXT NOT NULL REFERENCES account(name) ON DELETE CASCADE,
    csrf TEXT NOT NULL, began_s REAL NOT NULL, seen_s REAL NOT NULL
);
CREATE TABLE IF NOT EXISTS token (
    name TEXT PRIMARY KEY, digest TEXT NOT NULL UNIQUE, role TEXT NOT NULL, expires_s REAL NOT NULL
);
CREATE TABLE IF NOT EXISTS link (
    digest TEXT PRIMARY KEY, soak INTEGER NOT NULL, expires_s REAL NOT NULL
);
"""


class StoreError(InputError):
    """page.db must be mended or moved away: which file, and what to do."""


class Role(StrEnum):
    """look: see everything; run: act on the bench as well."""

    LOOK = "look"
    RUN = "run"


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who is calling; csrf is None for a script with a token."""

    name: str
    role: Role
    csrf: str | None


def digest(secret: str) -> str:
    """What is kept of a random secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


class Store:
    """page.db in the data folder, for its owner only. Times are wall time in s.

    session_s: a sign-in unused for so long is over. Raises StoreError when it cannot be used,
    TroubleError when it cannot be used now.
    """

    def __init__(
        self, path: Path, session_s: float, now_s: Callable[[], float] = time.time
    ) -> None:
        self.session_s, self.now_s = session_s, now_s
        self.lock = threading.Lock()
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch(mode=0o600)
            self.connection = sqlite3.connect(path, timeout=_WAIT_S, check_same_thread=False)
            self.connection.isolation_level = None
            self.connection.execute("PRAGMA journal_mode = WAL")
            # A power cut may cost the last sign-in, never the file; and the card is spared.
            self.connection.execute("PRAGMA synchronous = NORMAL")
            self.connection.execute("PRAGMA foreign_keys = ON")
            self.connection.executescript(_TABLES)
            (answer,) = self.connection.execute("PRAGMA quick_check(1)").fetchone()
        except OSError as error:
            raise StoreError(f"{path}: cannot be opened: {error.strerror}") from None
        except sqlite3.Error as error:
            raise self._trouble(error) from None
        if answer != "ok":
            self.connection.close()
            raise self._trouble(sqlite3.DatabaseError(" ".join(answer.split())))

    def _trouble(self, error: sqlite3.Error) -> SoakmonError:
        """What is wrong with the file, and what to do: what may pass, or what must be mended."""
        if isinstance(error, sqlite3.OperationalError):
            return TroubleError(f"{self.path}: the page's accounts cannot be used now: {error}")
        return StoreError(
            f"{self.path}: the page's accounts are damaged ({error}): move the file away and make "
            "them anew (soakmon page account); nothing else is lost"
        )

    @contextmanager
    def _held(self) -> Iterator[sqlite3.Connection]:
        with self.lock:
            try:
                yield self.connection
            except sqlite3.Error as error:
                raise self._trouble(error) from None

    def close(self) -> None:
        """Let go of the file."""
        with self.lock:
            self.connection.close()

    # -- accounts --------------------------------------------------------------------------------

    def accounts(self) -> list[tuple[str, Role]]:
        """Names and roles."""
        with self._held() as db:
            rows = db.execute("SELECT name, role FROM account ORDER BY name").fetchall()
        return [(name, Role(role)) for name, role in rows]

    def password_of(self, name: str) -> str | None:
        """The hash of an account's password."""
        with self._held() as db:
            row = db.execute("SELECT password FROM account WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def set_account(self, name: str, role: Role, password_hash: str) -> None:
        """Make an account or change it; its sign-ins end."""
        with self._held() as db:
            db.execute(
                "INSERT INTO account VALUES (?, ?, ?) ON CONFLICT (name)"
                " DO UPDATE SET role = excluded.role, password = excluded.password",
                (name, role.value, password_hash),
            )
            db.execute("DELETE FROM session WHERE name = ?", (name,))

    def remove_account(self, name: str) -> bool:
        """Remove an account with its sign-ins; whether there was one."""
        with self._held() as db:
            return db.execute("DELETE FROM account WHERE name = ?", (name,)).rowcount > 0

    # -- sign-ins --------------------------------------------------------------------------------

    def open_session(self, name: str) -> str:
        """A new sign-in's secret: never one that a browser brought along."""
        secret = secrets.token_urlsafe(32)
        now_s = self.now_s()
        with self._held() as db:
            db.execute(
                "DELETE FROM session WHERE seen_s < ? OR began_s < ?",
                (now_s - self.session_s, now_s - LONGEST_SESSION_S),
            )
            db.execute(
                "INSERT INTO session VALUES (?, ?, ?, ?, ?)",
                (digest(secret), name, secrets.token_urlsafe(32), now_s, now_s),
            )
        return secret

    def session(self, secret: str) -> Visitor | None:
        """Who signed in with this secret; None when it is unknown or over."""
        now_s = self.now_s()
        with self._held() as db:
            row = db.execute(
                "SELECT name, role, csrf, began_s, seen_s FROM session JOIN account USING (name)"
                " WHERE digest = ?",
                (digest(secret),),
            ).fetchone()
            if row is None:
                return None
            if now_s - row[4] > self.session_s or now_s - row[3] > LONGEST_SESSION_S:
                db.execute("DELETE FROM session WHERE digest = ?", (digest(secret),))
                return None
            # Once a minute is enough, and spares the card.
            if now_s - row[4] > _SEEN_EVERY_S:
                db.execute(
                    "UPDATE session SET seen_s = ? WHERE digest = ?", (now_s, digest(secret))
                )
        return Visitor(row[0], Role(row[1]), row[2])

    def close_session(self, secret: str) -> None:
        """End a sign-in."""
        with self._held() as db:
            db.execute("DELETE FROM session WHERE digest = ?", (digest(secret),))

    # -- tokens and links ------------------------------------------------------------------------

    def make_token(self, name: str, role: Role, days: float) -> str:
        """A token for a script, in place of one of the same name; shown only now."""
        secret = secrets.token_urlsafe(32)
        expires_s = self.now_s() + 86400 * days
        with self._held() as db:
            db.execute(
                "INSERT OR REPLACE INTO token VALUES (?, ?, ?, ?)",
                (name, digest(secret), role.value, expires_s),
            )
        return secret

    def token(self, secret: str) -> Visitor | None:
        """Whose token this is; None when it is unknown or has expired."""
        with self._held() as db:
            row = db.execute(
                "SELECT name, role FROM token WHERE digest = ? AND expires_s > ?",
                (digest(secret), self.now_s()),
            ).fetchone()
        return None if row is None else Visitor(row[0], Role(row[1]), None)

    def tokens(self) -> list[tuple[str, Role, float]]:
        """Names, roles and ends (wall s) of the tokens."""
        with self._held() as db:
            rows = db.execute("SELECT name, role, expires_s FROM token ORDER BY name").fetchall()
        return [(name, Role(role), expires_s) for name, role, expires_s in rows]

    def remove_token(self, name: str) -> bool:
        """Revoke a token; whether there was one."""
        with self._held() as db:
            return db.execute("DELETE FROM token WHERE name = ?", (name,)).rowcount > 0

    def make_link(self, soak: int, days: float) -> tuple[str, float]:
        """The secret of a link to one report, and when it ends (wall s)."""
        secret = secrets.token_urlsafe(32)
        expires_s = self.now_s() + 86400 * days
        with self._held() as db:
            db.execute("DELETE FROM link WHERE expires_s < ?", (self.now_s(),))
            db.execute("INSERT INTO link VALUES (?, ?, ?)", (digest(secret), soak, expires_s))
        return secret, expires_s

    def linked(self, secret: str) -> int | None:
        """The soak that a link shows; None when it is unknown or has expired."""
        with self._held() as db:
            row = db.execute(
                "SELECT soak FROM link WHERE digest = ? AND expires_s > ?",
                (digest(secret), self.now_s()),
            ).fetchone()
        return None if row is None else int(row[0])

    def revoke_links(self, soak: int) -> int:
        """Revoke all links to a soak's report; how many there were."""
        with self._held() as db:
            return db.execute("DELETE FROM link WHERE soak = ?", (soak,)).rowcount
