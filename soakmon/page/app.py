"""The page of a bench as one application: views, API, permissions."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from soakmon import __version__
from soakmon.bench.api import add_reading, add_records, add_refusals, add_safer
from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.refusals import answers
from soakmon.bench.service import Service
from soakmon.errors import InputError, TroubleError
from soakmon.page.access import RequestGuard, add_denials, runs, visitor
from soakmon.page.door import Door
from soakmon.page.fleet_routes import fleet_routes
from soakmon.page.job_routes import JobStoreHandle, job_routes
from soakmon.page.network import names_of
from soakmon.page.packed import Packed
from soakmon.page.ports import ReportSource
from soakmon.page.report_routes import report_routes, shared_routes
from soakmon.page.routes import Live, health, live_routes, opening_routes, sign_in_routes
from soakmon.page.speaking import Speaking
from soakmon.page.store import Store, StoreError
from soakmon.page.views import add_views
from soakmon.page.weigh_routes import weigh_routes
from soakmon.reach.fleet import Fleet

DATABASE = "page.db"


def build_page(
    service: Service,
    reports: ReportSource,
    desk: GuideDesk,
    *,
    store: Store | None = None,
) -> FastAPI:
    """The application; app.state has its store, door, live, job_store and fleet."""
    page = service.bench.page
    if store is None:
        store = Store(Path(service.journal.path).parent / DATABASE, 3600 * page.session_h)
    app = FastAPI(
        title="soakmon page",
        version=__version__,
        description="What the page itself uses. Not a safety device.",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    door, live, fleet = Door(store), Live(service), Fleet()
    job_store = JobStoreHandle(Path(service.journal.path).parent)
    app.state.store, app.state.door, app.state.live = store, door, live
    app.state.job_store, app.state.fleet = job_store, fleet
    app.add_middleware(Speaking)
    app.add_middleware(Packed, minimum_size=400)
    app.add_middleware(RequestGuard, names=names_of(service.bench), proxy=page.proxy)
    add_refusals(app)
    add_denials(app)
    app.add_exception_handler(InputError, _no_good)
    app.add_exception_handler(StoreError, _no_use)
    app.add_exception_handler(TroubleError, _no_use)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(HTTPException, _other)

    looks = APIRouter(
        prefix="/api", tags=["look"], dependencies=[Depends(visitor)], responses=answers(401, 422)
    )
    add_reading(looks, service)
    add_records(looks, service)
    acts = APIRouter(
        prefix="/api",
        tags=["run"],
        dependencies=[Depends(runs)],
        responses=answers(401, 403, 409, 413, 422, 503),
    )
    add_safer(acts, service)
    for router in (
        sign_in_routes(door),
        live_routes(service, live),
        looks,
        acts,
        opening_routes(service),
        *job_routes(job_store),
        *weigh_routes(desk, job_store),
        fleet_routes(service, fleet),
        report_routes(service, reports, store),
        shared_routes(reports, store),
    ):
        app.include_router(router)
    found = health(service)
    add_views(app, door, found.name, found.density_20c_g_per_ml, service.bench.rack.carbs)

    @app.get("/api/openapi.json", include_in_schema=False, dependencies=[Depends(visitor)])
    def description() -> JSONResponse:
        return JSONResponse(app.openapi())

    return app


async def _not_understood(_: Request, error: Exception) -> JSONResponse:
    """One line per problem, without the input: it may hold what cannot be sent back."""
    found = error.errors() if isinstance(error, RequestValidationError) else []
    lines = [f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}" for one in found]
    text = "; ".join(lines[:10])
    return JSONResponse({"problem": text.encode("utf-8", "replace").decode("utf-8")}, 422)


async def _no_good(_: Request, error: Exception) -> JSONResponse:
    """Input that the records refuse, in their own words."""
    return JSONResponse({"problem": str(error)}, 422)


async def _no_use(_: Request, error: Exception) -> JSONResponse:
    """Trouble with page.db or the disk: in words, and not as a traceback for each call."""
    return JSONResponse({"problem": str(error)}, 503)


async def _gone(_: Request, __: Exception) -> JSONResponse:
    """Who sends no more of a body is told nothing: nobody listens."""
    return JSONResponse({"problem": "the body is cut short"}, 422)


async def _other(_: Request, error: Exception) -> JSONResponse:
    """No such place or method; a body that is not even text is one that is not understood."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    detail = error.detail if isinstance(error, HTTPException) else "failed"
    headers = error.headers if isinstance(error, HTTPException) else None
    return JSONResponse({"problem": detail}, 422 if status == 400 else status, headers)
