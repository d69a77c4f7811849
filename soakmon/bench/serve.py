"""Runs the service as a process: threads, control socket, signals, watchdog of the system."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import uvicorn
from fastapi import APIRouter

from soakmon.bench.api import build_api
from soakmon.bench.book import Book
from soakmon.bench.guide_api import GuideDesk, add_guides
from soakmon.bench.ports import BenchParts
from soakmon.bench.reports import Reports
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.reach.outlets import Outlets
from soakmon.records.journal import Journal
from soakmon.systemd import tell_system

if TYPE_CHECKING:
    from soakmon.page.serving import OpenPage

log = logging.getLogger(__name__)


def boot_identity() -> str:
    """Changes with every boot of the machine."""
    path = Path("/proc/sys/kernel/random/boot_id")
    return path.read_text(encoding="ascii").strip() if path.exists() else "unknown"


def open_socket(path: Path) -> socket.socket:
    """The control socket, for owner and group only; a dead one is replaced, a live one is not."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists():
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(str(path))
            except OSError:
                path.unlink()
            else:
                raise InputError(f"{path}: another soakmon serves this bench")
    listener = socket.socket(socket.AF_UNIX)
    before = os.umask(0o117)
    try:
        listener.bind(str(path))
    except OSError as error:
        raise InputError(f"{path}: the control socket cannot be made: {error.strerror}") from None
    finally:
        os.umask(before)
    return listener


def serve(bench: Bench, parts: BenchParts, book: Book) -> None:
    """Serve until told to stop; the valve is shut on the way out, whatever the way."""
    folder = Path(bench.service.data_folder)
    listener = open_socket(Path(bench.service.socket))
    reports = Reports(folder)
    try:
        service = Service(
            bench,
            parts,
            Journal(folder / "journal.db"),
            boot=boot_identity(),
            alive=lambda: tell_system("WATCHDOG=1"),
            concluded=reports.make,
            consult=book.consult,
        )
        service.run()
        try:
            asyncio.run(_listen(service, reports, listener, book))
        finally:
            tell_system("STOPPING=1")
            service.stop()
    finally:
        parts.valve.shut()
        reports.close()
        listener.close()
        Path(bench.service.socket).unlink(missing_ok=True)


class Server(uvicorn.Server):
    """Leaves signals to us: the valve comes first."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take none."""
        yield


async def _open_page(service: Service, reports: Reports, desk: GuideDesk) -> OpenPage | None:
    # Imported here: a bench without a page saves its memory.
    from soakmon.page.serving import open_page  # noqa: PLC0415

    return await open_page(service, reports, desk)


async def _listen(service: Service, reports: Reports, listener: socket.socket, book: Book) -> None:
    outlets = Outlets(service)
    api = build_api(service)
    guides = APIRouter()
    desk = GuideDesk(service, book.keep)
    add_guides(guides, desk)
    api.include_router(guides)
    config = uvicorn.Config(api, log_level="warning", lifespan="off")
    server = Server(config)
    page = await _open_page(service, reports, desk) if service.bench.page.on else None
    loop = asyncio.get_running_loop()

    def leave() -> None:
        server.should_exit = True
        if page is not None:
            page.leave()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, leave)
    tell_system("READY=1")
    outlets.start()
    try:
        await server.serve(sockets=[listener])
    finally:
        await outlets.stop()
    if page is not None:
        await page.gone()
