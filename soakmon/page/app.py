"""The page of a bench as one application: views, API, permissions."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Depends, FastAPI

from soakmon.bench.api import add_reading, add_records, add_safer
from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.refusals import answers
from soakmon.bench.service import Service
from soakmon.page.access import runs, visitor
from soakmon.page.commission_routes import Commissioner, commission_routes
from soakmon.page.door import Door
from soakmon.page.fleet_routes import FleetDesk, fleet_routes
from soakmon.page.guarded import guarded_app
from soakmon.page.job_routes import JobStoreHandle, job_routes
from soakmon.page.ports import ReportSource
from soakmon.page.report_routes import report_routes, shared_routes
from soakmon.page.routes import Live, health, live_routes, opening_routes, sign_in_routes
from soakmon.page.store import Store
from soakmon.page.views import add_views
from soakmon.page.weigh_routes import weigh_routes

DATABASE = "page.db"


def build_page(
    service: Service,
    reports: ReportSource,
    desk: GuideDesk,
    *,
    store: Store | None = None,
    commissioner: Commissioner | None = None,
) -> FastAPI:
    """The application; app.state has its store, door, live, job_store and fleet."""
    page = service.bench.page
    if store is None:
        store = Store(Path(service.journal.path).parent / DATABASE, 3600 * page.session_h)
    app = guarded_app(service.bench)
    door, live = Door(store), Live(service)
    own = service.bench.service
    fleet = FleetDesk(service.bench.mqtt, own.name, own.shop)
    job_store = JobStoreHandle(Path(service.journal.path).parent)
    app.state.store, app.state.door, app.state.live = store, door, live
    app.state.job_store, app.state.fleet = job_store, fleet

    for router in (
        sign_in_routes(door),
        live_routes(service, live),
        *_control_routes(service),
        opening_routes(service),
        *job_routes(job_store),
        *weigh_routes(desk, job_store),
        *(commission_routes(commissioner) if commissioner is not None else ()),
        fleet_routes(service, fleet),
        report_routes(service, reports, store),
        shared_routes(reports, store),
    ):
        app.include_router(router)
    about = health(service)
    add_views(app, door, about.name, about.density_20c_g_per_ml, service.bench.rack.carbs)
    return app


def _control_routes(service: Service) -> tuple[APIRouter, APIRouter]:
    """What the control socket has too, under the page's permissions: looking, and making safer."""
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
    return looks, acts
