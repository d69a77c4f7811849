"""Serves the page beside the control socket, in the service's own process."""

from __future__ import annotations

import asyncio
import logging
import ssl
import sys
from collections.abc import Callable
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.service import Service
from soakmon.errors import InputError, SoakmonError
from soakmon.hardware_config import PageSection
from soakmon.page.app import build_page
from soakmon.page.callers import Callers, Listener, speaker
from soakmon.page.commission_routes import Commissioner
from soakmon.page.door import Door
from soakmon.page.ports import ReportSource
from soakmon.page.server import Server

log = logging.getLogger(__name__)
_LEAVE_S = 2


class OpenPage:
    """A page that is being served."""

    def __init__(self, server: Server, app: FastAPI, listener: Listener) -> None:
        self.server, self.app = server, app
        serving = server.serve(sockets=[listener])
        self.serving = asyncio.get_running_loop().create_task(serving)

    def leave(self) -> None:
        """Answer those who wait, and stop."""
        self.app.state.live.closing = True
        self.server.should_exit = True

    async def gone(self) -> None:
        """Wait until it has stopped."""
        self.leave()
        await self.serving
        await self.app.state.fleet.close()
        self.app.state.store.close()
        self.app.state.job_store.close()


def address(section: PageSection) -> str:
    """Where a browser on this machine finds the page."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(section.host, section.host)
    host = f"[{host}]" if ":" in host else host
    return f"http{'s' if section.cert else ''}://{host}:{section.port}"


def announce(section: PageSection, door: Door) -> None:
    """Say where the page is, and how its first account is made, to whoever is at the bench."""
    lines = [f"page at {address(section)}"]
    if door.is_new:
        code = door.new_code()
        lines.append(f"first sign-in: {address(section)}/set-up with the code {code}, for an hour")
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()


def check_seal(section: PageSection) -> None:
    """Whether certificate and key can be used. Raises InputError that names the file."""
    if not section.cert:
        return
    _readable(section.key)
    try:
        # A key that asks for its passphrase would have the service wait at a terminal.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(_readable(section.cert), section.key, _refuse_passphrase)
    except ssl.SSLError as error:
        reason = f"{section.cert} or {section.key}: is no certificate or key in PEM"
        if error.reason == "KEY_VALUES_MISMATCH":
            reason = f"{section.key}: is not the key of {section.cert}"
        raise InputError(f"{reason}: {_MEND_SEAL}") from None


_MEND_SEAL = "name the right files in [page] of bench.toml, and start again"


def _readable(file: str) -> str:
    try:
        with Path(file).open("rb"):
            return file
    except OSError as error:
        raise InputError(f"{file}: {error.strerror}: {_MEND_SEAL}") from None


def _refuse_passphrase() -> str:
    raise InputError(f"the page's key is locked with a passphrase: {_MEND_SEAL}")


async def open_page(
    service: Service,
    reports: ReportSource,
    desk: GuideDesk,
    commissioner: Commissioner | None = None,
) -> OpenPage | None:
    """Begin to serve; None, with the reason in the log, when that cannot be.

    The bench goes on without its page: a port in use, or a certificate that somebody renewed with
    the wrong key, must not end a soak or keep it from being taken up again.
    """
    section = service.bench.page
    try:
        server, app, listener = prepared(
            section, lambda: build_page(service, reports, desk, commissioner=commissioner)
        )
    except (SoakmonError, OSError) as error:
        reason = f"{address(section)}: {error.strerror}" if isinstance(error, OSError) else error
        log.error("no page: %s", reason)  # noqa: TRY400 - the reason is in the line
        sys.stderr.write(f"soakmon: no page: {reason}\n")
        return None
    announce(section, app.state.door)
    return OpenPage(server, app, listener)


def prepared(
    section: PageSection, build: Callable[[], FastAPI]
) -> tuple[Server, FastAPI, Listener]:
    """A server on the section's address for what `build` makes. Raises SoakmonError, OSError."""
    callers = Callers(section.proxy)
    check_seal(section)
    listener = Listener.at(section.host, section.port, callers)
    try:
        app = build()
    except SoakmonError:
        listener.close()
        raise
    config = uvicorn.Config(
        app,
        # What strangers send wrong is answered to them; the log is not theirs to fill.
        log_level="error",
        lifespan="off",
        http=speaker(callers),
        ws="none",
        # A header that anybody can send must not say where a call comes from.
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=_LEAVE_S,
        ssl_certfile=section.cert or None,
        ssl_keyfile=section.key or None,
    )
    config.load()
    return Server(config), app, listener
