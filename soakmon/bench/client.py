"""Talks to a running service through its control socket."""

from __future__ import annotations

import json
import socket
from collections.abc import Mapping
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from pydantic import JsonValue

from soakmon.errors import InputError

if TYPE_CHECKING:
    from soakmon.bench.bench_status import BenchStatus, OutletHealth

_WAITS_S = 20.0


class _Connection(HTTPConnection):
    """HTTP over a socket file. The standard library's: a command is to begin at once."""

    def __init__(self, path: Path) -> None:
        super().__init__("bench", timeout=_WAITS_S)
        self.path = path

    def connect(self) -> None:
        """Raises OSError where nobody listens."""
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self.path))


class Client:
    """Calls of the control API; InputError with the service's own words when one is refused."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def get(self, path: str, **query: Any) -> Any:
        """What a GET gives."""
        return self._answer("GET", f"{path}?{urlencode(query)}" if query else path)

    def status(self) -> BenchStatus:
        """What the bench is doing."""
        # Imported here: most commands do without the library.
        from pydantic import ValidationError  # noqa: PLC0415 - `ack` loads none

        from soakmon.bench.bench_status import BenchStatus  # noqa: PLC0415 - the same

        try:
            return BenchStatus.model_validate(self.get("/status"))
        except ValidationError as error:
            raise InputError(f"{self.path}: the service is of another version: {error}") from None

    def health(self) -> list[OutletHealth]:
        """How the outlets are."""
        from soakmon.bench.bench_status import OutletHealth  # noqa: PLC0415 - as above

        return [OutletHealth.model_validate(outlet) for outlet in self.get("/health")]

    def post(self, path: str, body: Mapping[str, JsonValue] | None = None) -> Any:
        """What a POST gives."""
        return self._answer("POST", path, None if body is None else json.dumps(body))

    def _answer(self, method: str, path: str, body: str | None = None) -> Any:
        connection = _Connection(self.path)
        try:
            self._connect(connection)
            headers = {} if body is None else {"Content-Type": "application/json"}
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            status, text = answer.status, answer.read().decode("utf-8", "replace")
        except (HTTPException, OSError) as error:
            what = str(error) or type(error).__name__
            raise InputError(f"{self.path}: the service does not answer: {what}") from None
        finally:
            connection.close()
        try:
            content = json.loads(text)
            if 200 <= status < 300:
                return content
            raise InputError(content["problem"])
        except (KeyError, TypeError, ValueError):
            raise InputError(f"the service answered {status}: {text}") from None

    def _connect(self, connection: _Connection) -> None:
        try:
            connection.connect()
        except OSError:
            text = "no service there: start one with soakmon serve, or give its --socket"
            raise InputError(f"{self.path}: {text}") from None
