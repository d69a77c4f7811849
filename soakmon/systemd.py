"""What systemd is told of a service: that it is ready, alive, or on its way out."""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def tell_system(message: str) -> None:
    """Tell systemd, when it listens (sd_notify's datagram protocol); never fails."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.connect("\0" + address[1:] if address.startswith("@") else address)
        out.sendall(message.encode())
