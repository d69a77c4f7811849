"""The control API of a running service: HTTP on a Unix socket, described by OpenAPI.

Whoever may open the socket may command the bench: its file mode is the permission. Every command is
carried out by the worker, in order with the readings.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from soakmon import __version__
from soakmon.bench.service import RefusedError, Service
from soakmon.records.journal import Journal

T = TypeVar("T")
_ANSWERS_WITHIN_S = 15.0


class Body(BaseModel):
    """A request body: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")


class Start(Body):
    """Begin a soak."""

    title: str = Field(min_length=1, max_length=200)
    job: str | None = Field(default=None, max_length=40)
    cautions_confirmed: bool = Field(
        description="somebody at the bench has read and confirmed them"
    )


class Reason(Body):
    """Why somebody does this."""

    reason: str = Field(default="by command", min_length=1, max_length=200)


class OpenFeed(Body):
    """Open the feed again."""

    cautions_confirmed: bool


class Problem(BaseModel):
    """Why a command was refused or failed."""

    problem: str


_REFUSALS: dict[int | str, dict[str, Any]] = {
    409: {"model": Problem, "description": "not possible now"},
    503: {"model": Problem, "description": "the service does not answer"},
}


def build_api(service: Service, health: Callable[[], list[dict[str, Any]]] = list) -> FastAPI:
    """The API of a service; health: how the outlets are."""
    api = FastAPI(title="soakmon bench", version=__version__, docs_url=None, redoc_url=None)

    async def do(command: Callable[[], T]) -> T:
        future = asyncio.wrap_future(service.call(command))
        return await asyncio.wait_for(future, _ANSWERS_WITHIN_S)

    @api.exception_handler(RefusedError)
    async def refused(_: Request, error: RefusedError) -> JSONResponse:
        return JSONResponse({"problem": str(error)}, 409)

    @api.exception_handler(TimeoutError)
    async def late(_: Request, error: TimeoutError) -> JSONResponse:
        return JSONResponse({"problem": "the service does not answer: see its log"}, 503)

    @api.get("/status", summary="What the bench is doing")
    async def status() -> dict[str, Any]:
        return service.status

    @api.get("/health", summary="How the outlets are: state, lag and last error of each")
    async def outlets() -> list[dict[str, Any]]:
        return health()

    @api.post("/soak", summary="Begin a soak", responses=_REFUSALS)
    async def start(body: Start) -> dict[str, int]:
        number = await do(
            lambda: service.start_soak(
                body.title, body.job, cautions_confirmed=body.cautions_confirmed
            )
        )
        return {"soak": number}

    @api.post("/acknowledge", summary="Acknowledge all alarms", responses=_REFUSALS)
    async def acknowledge() -> dict[str, int]:
        return {"acknowledged": await do(service.acknowledge)}

    @api.post("/isolate", summary="Shut the feed and watch the decay", responses=_REFUSALS)
    async def isolate(body: Reason) -> dict[str, str]:
        await do(lambda: service.isolate(body.reason))
        return {"phase": "isolating"}

    @api.post("/feed", summary="Open the feed after an isolation", responses=_REFUSALS)
    async def feed(body: OpenFeed) -> dict[str, bool]:
        await do(lambda: service.resume_feed(cautions_confirmed=body.cautions_confirmed))
        return {"feed_open": True}

    @api.post("/end", summary="End the soak with its verdict", responses=_REFUSALS)
    async def end(body: Reason) -> dict[str, str]:
        await do(lambda: service.end(body.reason))
        return {"phase": "ended"}

    @api.get("/weigh", summary="Net mass on the cell now")
    async def weigh() -> dict[str, float | None]:
        return service.weigh()

    _add_records(api, service)
    return api


def _add_records(api: FastAPI, service: Service) -> None:
    """What the journal holds, read through a connection of its own."""

    def read(work: Callable[[Journal], T]) -> T:
        journal = Journal(service.journal.path)
        try:
            return work(journal)
        finally:
            journal.close()

    @api.get("/soaks", summary="All soaks of this bench")
    def soaks() -> list[dict[str, Any]]:
        return [
            {
                "soak": entry.id,
                "title": entry.title,
                "job": entry.job,
                "started_wall_s": entry.started_wall_s,
                "ended_t_s": entry.ended_t_s,
                "verdict": None if entry.verdict is None else entry.verdict["verdict"],
            }
            for entry in read(lambda journal: journal.soaks())
        ]

    @api.get("/events", summary="Events after a number")
    def events(
        after: Annotated[int, Query(ge=0, le=2**62)] = 0,
        soak: Annotated[int | None, Query(ge=1, le=2**62)] = None,
    ) -> list[dict[str, Any]]:
        found = read(lambda journal: journal.read_events(soak, after))
        return [
            {"id": e.id, "soak": e.soak, "t_s": e.t_s, "wall_s": e.wall_s, "kind": e.kind} | e.data
            for e in found[:1000]
        ]

    @api.get("/curve", summary="Loss of the running soak against the evaporation band")
    async def curve(
        points: Annotated[int, Query(ge=2, le=2000)] = 400,
    ) -> dict[str, list[float | None]]:
        return await asyncio.wrap_future(service.call(lambda: _curve(service, points)))


def _curve(service: Service, points: int) -> dict[str, list[float | None]]:
    session = service.session
    if session is None:
        return {"t_s": []}
    curve = session.decider.curve.curve()
    step = max(len(curve.t_s) // points, 1)
    columns = {
        "t_s": curve.t_s, "mass_loss_g": curve.mass_loss_g, "best_g": curve.best_g,
        "low_g": curve.low_g, "high_g": curve.high_g,
    }  # fmt: skip
    return {
        name: [None if v != v else round(v, 4) for v in column[::step].tolist()]  # noqa: PLR0124 - NaN
        for name, column in columns.items()
    }
