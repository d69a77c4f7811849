"""Runs the service as a process: threads, control socket, signals, watchdog of the system."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import uvicorn
from fastapi import APIRouter

from soakmon.app.leaving import on_leave
from soakmon.app.report_queue import ReportQueue
from soakmon.bench.alarms import Wrong
from soakmon.bench.api import build_api
from soakmon.bench.guide_api import GuideDesk, add_guides
from soakmon.bench.ports import BenchParts
from soakmon.bench.records_port import RecordsPort
from soakmon.bench.service import Service
from soakmon.config import Bench
from soakmon.errors import TroubleError
from soakmon.extras import to_install
from soakmon.page.callers import neighbour
from soakmon.page.server import Server
from soakmon.reach.outlets import Outlets
from soakmon.records.damage import Opened, open_journal, set_aside
from soakmon.records.holding import holding
from soakmon.records.latch import NAME as LATCH
from soakmon.records.latch import Latch
from soakmon.systemd import tell_system
from soakmon.texts import say

if TYPE_CHECKING:
    from soakmon.app.commission_desk import CommissionDesk
    from soakmon.page.serving import OpenPage

log = logging.getLogger(__name__)
# As cli ends on a TroubleError: the system starts the service again.
_EXIT_CODE, _OUT_WITHIN_S = 4, 4.0


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
                raise TroubleError(f"{path}: another soakmon serves this bench")
    listener = socket.socket(socket.AF_UNIX)
    before = os.umask(0o117)
    try:
        listener.bind(str(path))
    except OSError as error:
        raise TroubleError(f"{path}: the control socket cannot be made: {error.strerror}") from None
    finally:
        os.umask(before)
    return listener


def serve(
    bench: Bench, parts: BenchParts, records: RecordsPort, *, boot: str | None = None
) -> None:
    """Serve until told to stop; the valve is shut on the way out, whatever the way.

    boot: changes whenever the parts' clock begins anew; None: that of the machine. Raises
    TroubleError when it cannot be served now, or a thread has ended: starting again may help.
    """
    folder = Path(bench.service.data_folder)
    try:
        with holding(folder):
            listener = open_socket(Path(bench.service.socket))
            try:
                _serve(bench, parts, records, listener, boot or boot_identity())
            finally:
                listener.close()
                Path(bench.service.socket).unlink(missing_ok=True)
    finally:
        parts.valve.shut()


def _serve(
    bench: Bench, parts: BenchParts, records: RecordsPort, listener: socket.socket, boot: str
) -> None:
    folder = Path(bench.service.data_folder)
    path = folder / "journal.db"
    opened = open_journal(path, parts.clock.wall_s())
    notice = latched(opened, parts.clock.wall_s())
    journal, reports, fall = opened.journal, ReportQueue(folder), ShutdownCause()
    try:
        service = Service(
            bench,
            parts,
            journal,
            boot=boot,
            alive=lambda: tell_system("WATCHDOG=1"),
            concluded=reports.wake,
            fell=fall.begin,
            context_for=records.context_for,
        )
        reports.troubled = lambda text: service.sound("bench", text, Wrong.REPORT, shut=False)
        outlets = Outlets(service)  # they hear what happens from the first moment
        commissioning = _commissioning(service, boot) if bench.page.on else None
        service.run()
        journal.run(lambda error: service.thread_ended("journal", error))
        reports.run()
        try:
            asyncio.run(_listen(service, outlets, reports, listener, records,
                                fall=fall, notice=notice, commissioning=commissioning))  # fmt: skip
        finally:
            tell_system("STOPPING=1")
            if commissioning is not None:
                commissioning.watch.leave()
            service.stop()
    finally:
        reports.close()
        journal.close()
        if journal.damaged:
            set_aside(path, parts.clock.wall_s())
    if fall.text:
        raise TroubleError(fall.text)


def latched(opened: Opened, wall_s: float) -> str:
    """What is to be said of a journal that was set aside, or "": the feed stays shut for it."""
    if opened.aside is None:
        return ""
    text = say("serve.journal_damaged", name=opened.aside.name)
    latch = Latch(opened.journal.path.with_name(LATCH))
    latch.allocate()
    latch.set(text, Wrong.JOURNAL, wall_s)
    latch.close()
    return text


class ShutdownCause:
    """A thread has ended: the process goes as well, in order if it can and in any case soon.

    text: what is to be said of it, empty while all is well; leave: has the main loop end.
    """

    def __init__(self) -> None:
        self.text = ""
        self.leave: Callable[[], object] = lambda: None

    def begin(self, text: str) -> None:
        """From any thread."""
        self.text = self.text or text
        timer = threading.Timer(_OUT_WITHIN_S, lambda: os._exit(_EXIT_CODE))
        timer.daemon = True
        timer.start()
        self.leave()


def _commissioning(service: Service, boot: str) -> CommissionDesk | None:
    """What the page commissions by; a trial of the valve is judged before the feed may open."""
    # Imported here: a bench without a page saves its memory.
    try:
        from soakmon.app.commission_desk import CommissionDesk  # noqa: PLC0415 - an extra

        desk = CommissionDesk(service, boot)
        desk.watch.judge_last_run()
    except Exception:  # whatever it was: the bench must start
        log.exception("commissioning cannot be had on the page")
        return None
    return desk


async def _open_page(
    service: Service, reports: ReportQueue, desk: GuideDesk, commissioning: CommissionDesk | None
) -> OpenPage | None:
    try:
        from soakmon.page.serving import open_page  # noqa: PLC0415 - an extra
    except ModuleNotFoundError as error:
        log.error("no page: %s", to_install(error))  # noqa: TRY400 - the reason is in the line
        return None
    return await open_page(service, reports, desk, commissioning)


async def _beat(service: Service) -> None:
    """Say that the loop runs, for as long as it does and is wanted."""
    try:
        while True:
            service.beats.loop_s = service.clock.boot_s()
            await asyncio.sleep(1.0)
    finally:
        service.beats.loop_s = None


def _control(service: Service, desk: GuideDesk) -> Server:
    """The server of the control socket."""
    api = build_api(service)
    guides = APIRouter()
    add_guides(guides, desk)
    api.include_router(guides)
    return Server(
        uvicorn.Config(api, log_level="warning", lifespan="off", http=neighbour(), ws="none")
    )


async def _listen(
    service: Service,
    outlets: Outlets,
    reports: ReportQueue,
    listener: socket.socket,
    records: RecordsPort,
    *,
    fall: ShutdownCause,
    notice: str,
    commissioning: CommissionDesk | None,
) -> None:
    desk = GuideDesk(service, records.keep)
    server = _control(service, desk)
    page = None
    if service.bench.page.on:
        page = await _open_page(service, reports, desk, commissioning)
    loop = asyncio.get_running_loop()

    def leave() -> None:
        server.should_exit = True
        if page is not None:
            page.leave()

    on_leave(leave)
    fall.leave = lambda: loop.call_soon_threadsafe(leave)
    if fall.text:
        leave()
    tell_system("READY=1")
    outlets.start()
    if notice:
        service.sound("bench", notice, Wrong.JOURNAL)
    beat = asyncio.create_task(_beat(service))
    try:
        await server.serve(sockets=[listener])
    finally:
        beat.cancel()
        await outlets.stop()
    if page is not None:
        await page.gone()
