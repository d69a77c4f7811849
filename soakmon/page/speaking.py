"""What the API reads out to a person, in the language of their browser.

The bench speaks English to machines. Here its sentences are said in the person's language, in one
place, so that no answer can forget it; names, titles, notes and everything else stay as they are.
"""

from __future__ import annotations

import json
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from soakmon.texts import ENGLISH, language_of, translated

# Keys under which the bench speaks; in jobs people write under some of them themselves.
_SPOKEN = frozenset(
    {
        "text", "todo", "reason", "problem", "note", "summary", "lines", "tied", "latch", "untold",
        "cell_trouble", "journal_trouble", "guard_trouble", "checks", "last_error", "explained",
        "trouble", "parts", "found", "failed", "fuel",
    }
)  # fmt: skip
_IN_JOBS = frozenset({"problem", "summary", "task"})
# Files are as they were made, curves are numbers.
_NOT_SPOKEN = ("/report/", "/files/", "/curve")


class Speaking:
    """Between the permissions and the routes: answers in JSON, in the language asked for."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass an answer on as it is, or say it in another language."""
        path = scope.get("path", "")
        spoken = scope["type"] == "http" and path.startswith("/api/")
        language = ENGLISH
        if spoken and not any(part in path for part in _NOT_SPOKEN):
            language = language_of(Headers(scope=scope).get("accept-language", ""))
        if language == ENGLISH:
            await self.app(scope, receive, send)
            return
        keys = _IN_JOBS if path.startswith("/api/jobs") else _SPOKEN
        await _Answer(send, language, keys).of(self.app, scope, receive)


class _Answer:
    """Holds an answer back until all of it is there, if it is JSON."""

    def __init__(self, send: Send, language: str, keys: frozenset[str]) -> None:
        self.send, self.language, self.keys = send, language, keys
        self.start: Message | None = None
        self.body = b""

    async def of(self, app: ASGIApp, scope: Scope, receive: Receive) -> None:
        """Answer what the application answers."""
        await app(scope, receive, self.take)

    async def take(self, message: Message) -> None:
        """The next piece of the answer."""
        if message["type"] == "http.response.start":
            kind = Headers(raw=message["headers"]).get("content-type", "")
            self.start = message if kind.startswith("application/json") else None
            if self.start is None:
                await self.send(message)
            return
        if self.start is None or message["type"] != "http.response.body":
            await self.send(message)
            return
        self.body += message.get("body", b"")
        if message.get("more_body"):
            return
        text = json.dumps(
            self._translated(json.loads(self.body)), ensure_ascii=False, allow_nan=False
        )
        body = text.encode()
        headers = MutableHeaders(raw=self.start["headers"])
        headers["Content-Length"] = str(len(body))
        headers["Content-Language"] = self.language
        headers.add_vary_header("Accept-Language")
        await self.send({**self.start, "headers": headers.raw})
        await self.send({"type": "http.response.body", "body": body})

    def _translated(self, value: Any, key: str = "") -> Any:
        if isinstance(value, str):
            return translated(value, self.language) if key in self.keys else value
        if isinstance(value, list):
            return [self._translated(item, key) for item in value]
        if isinstance(value, dict):
            # Below a key under which the bench speaks all is its own.
            spoken = key in {"checks", "explained", "parts", "found"}
            return {
                name: self._translated(item, key if spoken else name)
                for name, item in value.items()
            }
        return value
