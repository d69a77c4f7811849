"""Compressed answers: data that is read by scripts. Files are packed already, or sent once."""

from __future__ import annotations

import re

from starlette.middleware.gzip import GZipMiddleware
from starlette.types import Receive, Scope, Send

_FILES = re.compile(r"/(files|report)/|\.zip$")


class Packed(GZipMiddleware):
    """Compresses what the API reads out.

    Nothing else: an answer that repeats what a stranger sent, beside a secret, must not be packed.
    """

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pack it, or pass it on."""
        read = scope["type"] == "http" and scope["method"] == "GET"
        if read and scope["path"].startswith("/api/") and not _FILES.search(scope["path"]):
            await super().__call__(scope, receive, send)
        else:
            await self.app(scope, receive, send)
