"""Who is connected: no more than the machine can bear, and none that only waits.

A connection costs a file descriptor from the moment it is accepted, TLS or not, and those are the
journal's and the control socket's as well. So they are counted where they are accepted. Whoever
makes no complete request in time is let go; and when there is no room, whoever has waited longest
makes it for the next, so that silent connections lock nobody out. So it is on the page's port, and,
for a program that forgets its connections, on the control socket.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import resource
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, cast

import h11
from starlette.datastructures import Headers
from uvicorn.protocols.http.h11_impl import H11Protocol

from soakmon.page.network import ip_of, neighbourhood

log = logging.getLogger(__name__)

MOST_CALLERS = 100
# A browser opens six at a time; a house behind one address has several.
MOST_NEAR = 30
REQUEST_S = 5.0
# The longest body that is taken: a picture.
MOST_FILE_BYTES = 30_000_000
# A picture from a phone in the farthest corner of the shop: judgement.
_BODY_BYTES_PER_S = 100_000.0
# An answer of which nothing is taken for so long is wanted by nobody.
_STALLED_S = 20.0
_LOGGED_EVERY_S = 60.0

# Of a request that has been made from beginning to end.
_WHOLE = (h11.DONE, h11.MUST_CLOSE)

Key = tuple[str, int]


@dataclass(slots=True)
class _Caller:
    """One connection. due: when it is let go, None while it is given an answer; end: lets it go."""

    near: str
    end: Callable[[], None]
    due: asyncio.TimerHandle | None = None
    ended: bool = False


class Callers:
    """All connections of the page's port that have not been closed, longest waiting first.

    proxy: an address that stands for many. now_s: monotonic time, for what is told.
    """

    def __init__(self, proxy: str = "", now_s: Callable[[], float] = time.monotonic) -> None:
        self.proxy, self.now_s = ip_of(proxy), now_s
        soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        self.most = min(MOST_CALLERS, soft // 4) if soft > 0 else MOST_CALLERS
        self.known: dict[Key, _Caller] = {}
        self.crowded = 0
        self.logged_s = -_LOGGED_EVERY_S

    def have_room(self) -> bool:
        """Whether to take in another now; if not, a place is free when the loop comes round again.

        True as well when all are given answers: then the next is taken in to be turned away.
        """
        if len(self.known) < self.most:
            return True
        ending = any(caller.ended for caller in self.known.values())
        return not (ending or self._make_room(None))

    def admit(self, key: Key, end: Callable[[], None]) -> bool:
        """Take in a connection unless there are too many that are given answers."""
        near = neighbourhood(key[0])
        if len(self.known) >= self.most or not self._bearable(key, near):
            self._tell(near)
            return False
        self.known[key] = _Caller(near, end)
        self.wait(key, REQUEST_S)
        return True

    def _bearable(self, key: Key, near: str) -> bool:
        """Whether a neighbourhood has not too many, or one of them waits and can go instead."""
        if ip_of(key[0]) == self.proxy is not None:
            return True
        count = sum(1 for caller in self.known.values() if caller.near == near and not caller.ended)
        return count < MOST_NEAR or self._make_room(near)

    def _make_room(self, near: str | None) -> bool:
        """Let the longest waiting go, of a neighbourhood or of all; whether there was one."""
        for key, caller in self.known.items():
            if caller.due is not None and near in {None, caller.near}:
                self._tell(caller.near)
                self._end(key)
                return True
        return False

    def _end(self, key: Key) -> None:
        caller = self.known[key]
        if caller.due is not None:
            caller.due.cancel()
        caller.due, caller.ended = None, True
        caller.end()

    def _tell(self, near: str) -> None:
        """One line a minute: a flood of connections must not become one of the log."""
        self.crowded += 1
        if self.now_s() - self.logged_s >= _LOGGED_EVERY_S:
            log.warning("%d connections too many, the last from %s", self.crowded, near)
            self.logged_s, self.crowded = self.now_s(), 0

    def closed(self, key: Key) -> None:
        """Forget a connection: its file descriptor is free."""
        caller = self.known.pop(key, None)
        if caller is not None and caller.due is not None:
            caller.due.cancel()

    def meet(self, key: Key, end: Callable[[], None]) -> None:
        """A better way of letting it go has been found."""
        if key in self.known:
            self.known[key].end = end

    def wait(self, key: Key, seconds: float) -> None:
        """Let it go when nothing better is told of it in so many seconds."""
        caller = self.known.get(key)
        if caller is None or caller.ended:
            return
        if caller.due is not None:
            caller.due.cancel()
        caller.due = asyncio.get_running_loop().call_later(seconds, self._end, key)
        self.known[key] = self.known.pop(key)  # to the end: it has only begun to wait

    def serve(self, key: Key) -> None:
        """It has made its request and is given an answer, however long that takes."""
        caller = self.known.get(key)
        if caller is not None and caller.due is not None:
            caller.due.cancel()
            caller.due = None


class Listener(socket.socket):
    """The page's listening socket; it accepts for whom the callers have room."""

    callers: Callers

    @classmethod
    def at(cls, host: str, port: int, callers: Callers) -> Listener:
        """Listen there. Raises OSError."""
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = cls(fileno=socket.create_server((host, port), family=family).detach())
        listener.callers = callers
        return listener

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection. Raises BlockingIOError, as when none came, for want of room."""
        if not self.callers.have_room():
            raise BlockingIOError
        connection, address = super().accept()
        held = _Counted(fileno=connection.detach())
        key = address[:2]
        if not self.callers.admit(key, held.leave):
            held.close()
            raise BlockingIOError
        held.ended = partial(self.callers.closed, key)
        return held, address


class _Counted(socket.socket):
    """A connection that is counted until it is closed."""

    ended: Callable[[], object] | None = None

    def leave(self) -> None:
        """Shut both ways; its transport sees the end of the stream and closes it."""
        with contextlib.suppress(OSError):  # the other end may have gone already
            self.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close it, and count it no more."""
        super().close()
        if self.ended is not None:
            self.ended()
            self.ended = None


class Speaker(H11Protocol):
    """HTTP on one connection, telling the callers whether it waits or is given an answer."""

    def __init__(self, callers: Callers, **given: Any) -> None:
        super().__init__(**given)
        self.callers = callers
        self.begun: object = None
        self.stalled = False

    @property
    def _key(self) -> Key:
        return self.client or ("", 0)

    # The server's own class narrows the transport as well.
    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """TLS, where there is any, is settled: from here on the transport can be told to go."""
        super().connection_made(transport)
        self.callers.meet(self._key, transport.abort)

    def data_received(self, data: bytes) -> None:
        """Look where the request stands, once uvicorn has read on."""
        super().data_received(data)
        self._look()

    def _look(self) -> None:
        their = self.conn.their_state
        if their is h11.SEND_BODY and self.scope is not self.begun:
            self.begun = self.scope
            self.callers.wait(self._key, REQUEST_S + self._size() / _BODY_BYTES_PER_S)
        elif their in _WHOLE and not self.stalled and not self.cycle.response_complete:
            self.callers.serve(self._key)

    def _size(self) -> int:
        """The body's announced length in bytes, as far as it would be taken."""
        length = Headers(raw=self.headers).get("content-length", "")
        sized = length.isdecimal() and len(length) < 10
        return min(int(length), MOST_FILE_BYTES) if sized else 0

    def on_response_complete(self) -> None:
        """The answer is given: what is left of the request, or the next one, is waited for."""
        self.callers.wait(self._key, self.timeout_keep_alive + REQUEST_S)
        super().on_response_complete()
        self._look()

    def pause_writing(self) -> None:
        """Nothing more of the answer is taken."""
        super().pause_writing()
        self.stalled = True
        self.callers.wait(self._key, _STALLED_S)

    def resume_writing(self) -> None:
        """It is taken again."""
        super().resume_writing()
        self.stalled = False
        self._look()


class Neighbour(Speaker):
    """The same on the control socket, where no address tells one from another."""

    @property
    def _key(self) -> Key:
        return "", id(self)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it in if there is room, or somebody who only waits can go for it."""
        super().connection_made(transport)
        if not self.callers.admit(self._key, transport.abort):
            transport.abort()

    def connection_lost(self, error: Exception | None) -> None:
        """Count it no more."""
        super().connection_lost(error)
        self.callers.closed(self._key)


def neighbour() -> type[asyncio.Protocol]:
    """What uvicorn makes for each connection of the control socket."""
    return cast("type[asyncio.Protocol]", partial(Neighbour, Callers()))


def speaker(callers: Callers) -> type[asyncio.Protocol]:
    """What uvicorn makes for each connection."""
    return cast("type[asyncio.Protocol]", partial(Speaker, callers))
