"""Serves the page beside the control socket, in the service's own process."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
import sys

import uvicorn
from fastapi import FastAPI

from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.reports import Reports
from soakmon.bench.serve import Server
from soakmon.bench.service import Service
from soakmon.errors import SoakmonError
from soakmon.hardware_config import PageSection
from soakmon.page.app import build_page
from soakmon.page.door import Door
from soakmon.page.fleet_routes import listen

log = logging.getLogger(__name__)
_LEAVE_S = 2


class OpenPage:
    """A page that is being served."""

    def __init__(self, server: Server, app: FastAPI, tasks: list[asyncio.Task[None]]) -> None:
        self.server, self.app, self.tasks = server, app, tasks

    def leave(self) -> None:
        """Answer those who wait, and stop."""
        self.app.state.live.closing = True
        self.server.should_exit = True

    async def gone(self) -> None:
        """Wait until it has stopped."""
        self.leave()
        serving, *others = self.tasks
        await serving
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)
        self.app.state.store.close()
        self.app.state.shelf.close()


def address(section: PageSection) -> str:
    """Where a browser on this machine finds the page."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(section.host, section.host)
    host = f"[{host}]" if ":" in host else host
    return f"http{'s' if section.cert else ''}://{host}:{section.port}"


def _announce(section: PageSection, door: Door) -> None:
    """Say where the page is, and how its first account is made, to whoever is at the bench."""
    lines = [f"page at {address(section)}"]
    if door.is_new:
        code = door.new_code()
        lines.append(f"first sign-in: {address(section)}/set-up with the code {code}, for an hour")
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()


async def open_page(
    service: Service,
    reports: Reports,
    desk: GuideDesk,
) -> OpenPage | None:
    """Begin to serve; None, with the reason in the log, when that cannot be.

    The bench goes on without its page: a port in use must not end a soak.
    """
    section = service.bench.page
    try:
        family = socket.AF_INET6 if ":" in section.host else socket.AF_INET
        listener = socket.create_server((section.host, section.port), family=family)
        app = build_page(service, reports, desk)
        config = uvicorn.Config(
            app,
            log_level="warning",
            lifespan="off",
            # A header that anybody can send must not say where a call comes from.
            proxy_headers=False,
            server_header=False,
            timeout_graceful_shutdown=_LEAVE_S,
            limit_concurrency=100,
            ssl_certfile=section.cert or None,
            ssl_keyfile=section.key or None,
        )
        config.load()
    except (SoakmonError, OSError, ssl.SSLError) as error:
        log.error("no page: %s", error)  # noqa: TRY400 - the reason is in the line
        sys.stderr.write(f"soakmon: no page: {error}\n")
        return None
    server = Server(config)
    loop = asyncio.get_running_loop()
    tasks = [loop.create_task(server.serve(sockets=[listener]))]
    if service.bench.mqtt.enabled:
        tasks.append(loop.create_task(listen(service, app.state.fleet)))
    _announce(section, app.state.door)
    return OpenPage(server, app, tasks)
