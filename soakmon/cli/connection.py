"""The service that a command talks to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakmon.cli.options import data_folder

if TYPE_CHECKING:
    from soakmon.bench.client import Client

SYSTEM_SOCKET = Path("/run/soakmon/control.sock")

SocketOption = Annotated[
    Path | None,
    typer.Option("--socket", envvar="SOAKMON_SOCKET", help="Control socket of the service."),
]


def client_of(path: Path | None) -> Client:
    """The service at a socket; without one that of the system, or of the data folder."""
    from soakmon.bench.client import Client

    if path is None:
        path = SYSTEM_SOCKET if SYSTEM_SOCKET.exists() else data_folder() / "control.sock"
    return Client(path)
