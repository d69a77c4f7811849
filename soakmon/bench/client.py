"""Talks to a running service through its control socket."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import httpx

from soakmon.errors import InputError


class Client:
    """Calls of the control API; InputError with the service's own words when one is refused."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def get(self, path: str, **query: Any) -> Any:
        """What a GET gives."""
        return self._answer("GET", path, params=query)

    def post(self, path: str, body: dict[str, Any] | None = None) -> Any:
        """What a POST gives."""
        return self._answer("POST", path, json=body)

    def _answer(self, method: str, path: str, **more: Any) -> Any:
        self._probe()
        transport = httpx.HTTPTransport(uds=str(self.path))
        try:
            with httpx.Client(transport=transport, base_url="http://bench", timeout=20) as http:
                answer = http.request(method, path, **more)
        except httpx.HTTPError as error:
            raise InputError(f"{self.path}: the service does not answer: {error}") from None
        if answer.is_success:
            return answer.json()
        try:
            raise InputError(answer.json()["problem"])
        except (KeyError, ValueError):
            raise InputError(f"the service answered {answer.status_code}: {answer.text}") from None

    def _probe(self) -> None:
        """Whether anybody listens: the library would leave a socket open on a failed connection."""
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(str(self.path))
            except OSError:
                text = "no service there: start it with soakmon serve, or name its socket"
                raise InputError(f"{self.path}: {text}") from None
