"""A web server inside a process that has its own way with signals."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import uvicorn


class Server(uvicorn.Server):
    """Leaves signals to us: the valve comes first."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take none."""
        yield
