"""Who is calling, and whether they may: dependencies of the routes, and a guard before all of them.

Sign-in cookies count only with the sign-in's CSRF token in a header when something is done. Scripts
bring a token; nothing that a browser sends by itself counts as one.
"""

from __future__ import annotations

import re
import secrets
from typing import Annotated

from fastapi import Depends, FastAPI, Request, Security
from fastapi.responses import JSONResponse
from fastapi.security import APIKeyCookie, HTTPAuthorizationCredentials, HTTPBearer
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from soakmon.page.callers import MOST_FILE_BYTES
from soakmon.page.door import SlowDownError
from soakmon.page.network import FORWARDED, behind, ip_of, is_own, unknown_name
from soakmon.page.store import Role, Store, Visitor
from soakmon.texts import say

COOKIE = "soakmon"
MOST_BODY_BYTES = 65536
_FILES = re.compile(r"/api/jobs/[^/]+/files")
SAFE = {"GET", "HEAD", "OPTIONS"}
_cookie = APIKeyCookie(name=COOKIE, auto_error=False, description="a person's sign-in")
_bearer = HTTPBearer(auto_error=False, description="a script's token")


class DeniedError(Exception):
    """The caller may not do this."""

    def __init__(self, status: int, problem: str) -> None:
        super().__init__(problem)
        self.status, self.problem = status, problem


def visitor(
    request: Request,
    session: Annotated[str | None, Security(_cookie)],
    token: Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)],
) -> Visitor:
    """Whoever is calling; 401 for strangers."""
    store: Store = request.app.state.store
    role_of = store.token(token.credentials) if token is not None else None
    if role_of is None and token is None and session is not None:
        role_of = store.session(session)
    if role_of is None:
        raise DeniedError(401, say("access.sign_first"))
    request.state.who = role_of.name  # for routes that the control socket shares
    return role_of


def acting(request: Request, who: Annotated[Visitor, Depends(visitor)]) -> Visitor:
    """Somebody who does something, on purpose and from our own page."""
    given = request.headers.get("x-csrf-token", "")
    if who.csrf is not None and not secrets.compare_digest(given.encode(), who.csrf.encode()):
        raise DeniedError(403, say("access.this_does_not_come_from"))
    return who


def runs(who: Annotated[Visitor, Depends(acting)]) -> Visitor:
    """Somebody who may act on the bench."""
    if who.role is not Role.RUN:
        raise DeniedError(403, say("access.your_account_may_look_not"))
    return who


def looks_or_runs(request: Request, who: Annotated[Visitor, Depends(visitor)]) -> Visitor:
    """For routes that somebody may look at and others act on: by the method of the call."""
    return who if request.method in SAFE else runs(acting(request, who))


def runs_nearby(request: Request, who: Annotated[Visitor, Depends(runs)]) -> Visitor:
    """A person on the local network, who may open the feed. A script cannot confirm cautions."""
    if who.csrf is None:
        raise DeniedError(403, say("access.token_cannot_open_feed_somebody"))
    if not is_local(request):
        raise DeniedError(403, say("access.feed_can_only_opened_from"))
    return who


def is_local(request: Request) -> bool:
    """Whether the other end is on the shop's own network, and nothing stands between."""
    if any(name in request.headers for name in FORWARDED):
        return False
    return is_own(ip_of(request.client.host if request.client else ""))


def add_denials(app: FastAPI) -> None:
    """Answer refused calls in words."""

    @app.exception_handler(DeniedError)
    async def denied(_: Request, error: DeniedError) -> JSONResponse:
        headers = {"WWW-Authenticate": "Bearer"} if error.status == 401 else {}
        return JSONResponse({"problem": error.problem}, error.status, headers)

    @app.exception_handler(SlowDownError)
    async def slow(_: Request, error: SlowDownError) -> JSONResponse:
        wait = {"Retry-After": str(int(error.wait_s) + 1)}
        return JSONResponse({"problem": str(error)}, 429, wait)


_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; frame-src 'self'; manifest-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)

# Data is no document: it needs no more, and it is sent every few seconds.
_DATA = "default-src 'none'; frame-ancestors 'none'"


class RequestGuard:
    """Before every route: no other site's requests, no huge bodies; after it: careful headers.

    names: by which the page may be called. proxy: address of a reverse proxy, which alone is
    believed about where a call comes from.
    """

    def __init__(self, app: ASGIApp, names: frozenset[str], proxy: str = "") -> None:
        self.app, self.names, self.proxy = app, names, proxy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request pass, or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        scope = behind(scope, self.proxy)

        async def careful(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                data = headers.get("content-type", "") == "application/json"
                headers.setdefault("Content-Security-Policy", _DATA if data else _POLICY)
                headers.setdefault("Cache-Control", "no-store")
                headers["X-Content-Type-Options"] = "nosniff"
                headers["Referrer-Policy"] = "no-referrer"
                headers["Cross-Origin-Opener-Policy"] = "same-origin"
                headers["Cross-Origin-Resource-Policy"] = "same-origin"
                if not data:
                    headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
            await send(message)

        refused = _refuse(scope, self.names)
        app = self.app if refused is None else refused
        await app(scope, receive, careful)


def _refuse(scope: Scope, names: frozenset[str]) -> JSONResponse | None:
    unknown = unknown_name(scope, names)
    if unknown is not None:
        return JSONResponse({"problem": unknown}, 421)
    headers = Headers(scope=scope)
    if scope["method"] in SAFE:
        return None
    origin = headers.get("origin")
    # Without urlsplit, which raises on some malformed origins.
    foreign = origin is not None and origin.partition("://")[2] != headers.get("host", "")
    if foreign or headers.get("sec-fetch-site", "none") not in {"same-origin", "none"}:
        return JSONResponse({"problem": say("access.this_comes_from_another_site")}, 403)
    length = headers.get("content-length", "0")
    sized = "transfer-encoding" not in headers and length.isdecimal() and len(length) < 10
    most = MOST_FILE_BYTES if _FILES.fullmatch(scope["path"]) else MOST_BODY_BYTES
    if not sized or int(length) > most:
        return JSONResponse({"problem": say("access.body_too_large_unknown_length")}, 413)
    return None
