"""Connections to a database on a server that many benches share.

Each is opened for one transaction and closed after it, so that a hundred benches need a few at a
time, and a pool in between (pgbouncer, by transactions) may give the next transaction another
connection: nothing is prepared on the server, and nothing is set for longer than a transaction.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event
from sqlalchemy.pool import NullPool

_CONNECT_S = 5
# A server whose connections are all taken says so at once; a moment later one is free. Each time
# that it is asked costs it a process: a hundred that ask once a second would keep it from working.
PATIENCE_S = 20.0
_FIRST_S, _LONGEST_S = 0.05, 4.0
# What it says then (PostgreSQL, English and German; pgbouncer): no code comes with it.
_TAKEN = (
    "too many clients", "too many connections", "remaining connection slots",
    "no more connections allowed", "schon zu viele verbindungen", "zu viele clients",
    "verbleibenden verbindungen",
)  # fmt: skip


def server_engine(
    url: URL,
    *,
    sleep: Callable[[float], None] = time.sleep,
    now_s: Callable[[], float] = time.monotonic,
    patience_s: float = PATIENCE_S,
) -> Engine:
    """An engine that keeps no connection; patience_s: how long a full server is asked again.

    sleep, now_s: for tests, in s.
    """
    arguments = {
        # A server that does not answer must not hold up the bench.
        "connect_timeout": _CONNECT_S,
        # A statement prepared on one connection is unknown on the next.
        "prepare_threshold": None,
    }
    engine = create_engine(url, poolclass=NullPool, connect_args=arguments)

    @event.listens_for(engine, "do_connect")
    def _connect(dialect: Any, _record: Any, words: Any, options: Any) -> Any:
        end_s, wait_s = now_s() + patience_s, _FIRST_S
        while True:
            try:
                return dialect.loaded_dbapi.connect(*words, **options)
            except dialect.loaded_dbapi.OperationalError as error:
                message = str(error).lower()
                if now_s() >= end_s or not any(taken in message for taken in _TAKEN):
                    raise
            # Full jitter: those that were refused together must not come again together.
            sleep(wait_s * (0.5 + random.random()))
            wait_s = min(2 * wait_s, _LONGEST_S)

    return engine
