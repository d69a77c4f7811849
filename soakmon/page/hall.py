"""All benches on a screen of their own, without a bench: broker, accounts, and the list."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, FastAPI

from soakmon.bench.refusals import answers
from soakmon.config import Bench
from soakmon.page.access import visitor
from soakmon.page.app import DATABASE
from soakmon.page.door import Door
from soakmon.page.fleet_routes import Benches, FleetDesk, asked
from soakmon.page.guarded import guarded_app
from soakmon.page.routes import sign_in_routes
from soakmon.page.serving import announce, prepared
from soakmon.page.store import Store
from soakmon.page.views import add_hall_view
from soakmon.reach.fleet_order import Asked, shown


def build_hall(bench: Bench, store: Store) -> FastAPI:
    """The application; app.state has its store, door and fleet. bench: [mqtt] and [page] of it."""
    app = guarded_app(bench)
    door, desk = Door(store), FleetDesk(bench.mqtt, "hall", bench.service.shop)
    app.state.store, app.state.door, app.state.fleet = store, door, desk
    router = APIRouter(prefix="/api", tags=["look"], dependencies=[Depends(visitor)])

    @router.get("/benches", summary="All benches on the broker", responses=answers(401, 422))
    async def benches(wanted: Annotated[Asked, Depends(asked)]) -> Benches:
        await desk.look()
        return desk.page_of(shown(desk.fleet.listed(time.monotonic()), wanted))

    app.include_router(sign_in_routes(door))
    app.include_router(router)
    add_hall_view(app, door, bench.mqtt.host)
    return app


async def serve_hall(bench: Bench, folder: Path) -> None:
    """Serve it until cancelled; accounts lie in the folder. Raises SoakmonError, OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder / DATABASE, 3600 * bench.page.session_h)
    server, app, listener = prepared(bench.page, lambda: build_hall(bench, store))
    announce(bench.page, app.state.door)
    serving = asyncio.create_task(server.serve(sockets=[listener]))
    try:
        await asyncio.shield(serving)
    finally:
        server.should_exit = True
        await serving
        await app.state.fleet.close()
        store.close()
