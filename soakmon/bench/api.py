"""The control API of a running service: HTTP, described by OpenAPI.

On the Unix socket whoever may open it may command the bench: its file mode is the permission. The
page shares the reading and the safer routes and puts its own permissions before them. Every command
is carried out by the worker, in order with the readings.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable
from dataclasses import asdict
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, FastAPI, Path, Query, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from soakmon import __version__
from soakmon.bench.bench_status import BenchStatus, OutletHealth
from soakmon.bench.commands import RefusedError
from soakmon.bench.curve_snapshot import curve_snapshot, stored_snapshot
from soakmon.bench.preflight import PREFLIGHT_S, check_readings
from soakmon.bench.refusals import REFUSALS, answers
from soakmon.bench.service import Service
from soakmon.records.curve_form import CurveSnapshot
from soakmon.records.journal import Journal
from soakmon.texts import say
from soakmon.watch.averaging import join
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Outcome

T = TypeVar("T")


class SoakListed(BaseModel):
    """A soak of the journal; without a verdict while it runs."""

    soak: int
    title: str
    job: str | None
    started_wall_s: float
    ended_t_s: float | None
    verdict: Outcome | None


class EventListed(BaseModel):
    """An event of the journal; what it holds stays apart, since an alarm has a kind of its own."""

    id: int
    soak: int | None
    t_s: float
    wall_s: float
    kind: str
    data: dict[str, Any]


# The picture where there is none.
_NO_CURVE = CurveSnapshot(t_s=())
# Together less than a client waits.
_ANSWERS_WITHIN_S, _ENDS_WITHIN_S = 15.0, 3.0
_UNANSWERED = say("api.service_does_not_answer_command")
_UNFINISHED = say("api.command_still_being_carried_out")


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
    filled: bool = Field(default=False, description="the rack is full already: await no fill")


class Reason(Body):
    """Why somebody does this."""

    reason: str = Field(default="by command", min_length=1, max_length=200)


class Acknowledgement(Body):
    """Which alarms were seen."""

    alarms: list[str] | None = Field(
        default=None, max_length=1000, description="their uids; without them all are meant"
    )
    by: str = Field(
        default="", max_length=60, description="who it is; on the page always who is signed in"
    )


class OpenFeed(Body):
    """Open the feed again."""

    cautions_confirmed: bool


def build_api(service: Service) -> FastAPI:
    """The API of a service."""
    api = FastAPI(title="soakmon bench", version=__version__, docs_url=None, redoc_url=None)
    add_refusals(api)
    router = APIRouter()
    add_reading(router, service)
    add_records(router, service)
    add_safer(router, service)
    _add_opening(router, service)

    @router.get("/health", summary="How the outlets are: state, lag and last error of each")
    async def outlets() -> list[OutletHealth]:
        return service.outlets()

    api.include_router(router)
    return api


def add_refusals(api: FastAPI) -> None:
    """Answer refused and late commands in words."""

    @api.exception_handler(RefusedError)
    async def refused(_: Request, error: RefusedError) -> JSONResponse:
        return JSONResponse({"problem": str(error)}, 409)

    @api.exception_handler(TimeoutError)
    async def late(_: Request, error: TimeoutError) -> JSONResponse:
        return JSONResponse({"problem": str(error) or _UNANSWERED}, 503)


async def do(service: Service, command: Callable[[], T]) -> T:
    """Have the worker carry out a command and wait for its result."""
    asked = service.worker.call(command)
    answer = asyncio.wrap_future(asked)
    try:
        return await asyncio.wait_for(asyncio.shield(answer), _ANSWERS_WITHIN_S)
    except TimeoutError:
        if asked.give_up():
            raise
    except asyncio.CancelledError:
        asked.give_up()
        raise
    # It is being carried out: saying that it is not would be wrong.
    try:
        return await asyncio.wait_for(answer, _ENDS_WITHIN_S)
    except TimeoutError:
        raise TimeoutError(_UNFINISHED) from None


def add_safer(router: APIRouter, service: Service) -> None:
    """Commands that make the bench safer, or leave it as safe."""

    @router.post("/acknowledge", summary="Acknowledge the alarms seen", responses=REFUSALS)
    async def acknowledge(request: Request, body: Acknowledgement | None = None) -> dict[str, int]:
        uids = body.alarms if body is not None else None
        by = getattr(request.state, "who", "") or (body.by if body is not None else "")
        count = await do(service, lambda: service.commands.acknowledge(uids, by))
        return {"acknowledged": count}

    @router.post("/isolate", summary="Shut the feed and watch the decay", responses=REFUSALS)
    async def isolate(body: Reason) -> dict[str, str]:
        await do(service, lambda: service.commands.isolate(body.reason))
        return {"phase": "isolating"}

    @router.post("/end", summary="End the soak with its verdict", responses=REFUSALS)
    async def end(body: Reason) -> dict[str, str]:
        await do(service, lambda: service.commands.end(body.reason))
        return {"phase": "ended"}


def _add_opening(router: APIRouter, service: Service) -> None:
    """Commands that open the feed, for somebody at the bench."""

    @router.post("/soak", summary="Begin a soak", responses=REFUSALS)
    async def start(body: Start) -> dict[str, int]:
        number = await do(
            service,
            lambda: service.commands.start_soak(
                body.title,
                body.job,
                cautions_confirmed=body.cautions_confirmed,
                filled=body.filled,
            ),
        )
        return {"soak": number}

    @router.post("/feed", summary="Open the feed after an isolation", responses=REFUSALS)
    async def feed(body: OpenFeed) -> dict[str, bool]:
        confirmed = body.cautions_confirmed
        await do(service, lambda: service.commands.resume_feed(cautions_confirmed=confirmed))
        return {"feed_open": True}


def add_reading(router: APIRouter, service: Service) -> None:
    """What the bench does now."""

    @router.get("/status", summary="What the bench is doing", response_model_exclude_unset=True)
    async def status() -> BenchStatus:
        return service.status.but(age_s=service.board.age_s())

    @router.get("/weigh", summary="What is on the cell now, over the last seconds")
    async def weigh(
        air_since_wall_s: Annotated[float | None, Query(description="air: mean since then")] = None,
        seen_since_wall_s: Annotated[
            float | None, Query(description="drops and still: what was seen since then")
        ] = None,
    ) -> dict[str, Any]:
        since_s = service.clock.wall_s() if air_since_wall_s is None else air_since_wall_s
        reading = {
            **asdict(service.readings.weigh()),
            "air_c": service.readings.mean_air_c(since_s),
        }
        return (
            reading
            if seen_since_wall_s is None
            else reading | service.readings.seen(seen_since_wall_s)
        )

    @router.get("/preflight", summary="The checks so far", responses=answers(503))
    async def preflight() -> dict[str, Any]:
        return await do(service, lambda: _preflight(service))

    @router.get(
        "/curve",
        summary="Loss of the running soak against the evaporation band",
        response_model_exclude_unset=True,
        responses=answers(503),
    )
    async def curve(
        points: Annotated[int, Query(ge=2, le=2000)] = 400,
        after_s: Annotated[
            float, Query(allow_inf_nan=False, description="only what came after that time")
        ] = -1e9,
    ) -> CurveSnapshot:
        def now() -> CurveSnapshot:
            session = service.session
            if session is None:
                return _NO_CURVE
            return curve_snapshot(session, points, after_s)

        return await do(service, now)


def add_records(router: APIRouter, service: Service) -> None:
    """What the journal holds, read through a connection of its own."""

    def read(work: Callable[[Journal], T]) -> T:
        journal = Journal(service.journal.path)
        try:
            return work(journal)
        finally:
            journal.close()

    @router.get("/soaks", summary="All soaks of this bench")
    def soaks() -> list[SoakListed]:
        return [
            SoakListed(
                soak=entry.id,
                title=entry.title,
                job=entry.job,
                started_wall_s=entry.started_wall_s,
                ended_t_s=entry.ended_t_s,
                verdict=None if entry.verdict is None else entry.verdict.verdict,
            )
            for entry in read(lambda journal: journal.soaks())
        ]

    @router.get(
        "/soaks/{soak}/curve",
        summary="Loss of a soak that has ended; no points when none was kept",
        response_model_exclude_unset=True,
    )
    def ended(soak: Annotated[int, Path(ge=1, le=2**62)]) -> CurveSnapshot:
        return read(lambda journal: stored_snapshot(journal, soak)) or _NO_CURVE

    @router.get("/events", summary="Events after a number, at most a thousand")
    def events(
        after: Annotated[int, Query(ge=0, le=2**62)] = 0,
        soak: Annotated[int | None, Query(ge=1, le=2**62)] = None,
        kind: Annotated[list[str] | None, Query(max_length=20)] = None,
    ) -> list[EventListed]:
        read_events = read(lambda journal: journal.read_events(soak, after))
        wanted = (e for e in read_events if kind is None or e.kind in kind)
        return [
            EventListed(id=e.id, soak=e.soak, t_s=e.t_s, wall_s=e.wall_s, kind=e.kind, data=e.data)
            for e in itertools.islice(wanted, 1000)
        ]


def _preflight(service: Service) -> dict[str, Any]:
    """Checks of the readings so far while preflight runs, the final ones after it."""
    session = service.session
    if session is None:
        return {"phase": str(Phase.IDLE), "elapsed_s": 0.0, "needed_s": PREFLIGHT_S, "checks": []}
    checks, elapsed_s = [asdict(check) for check in session.checks], PREFLIGHT_S
    if session.phase is Phase.PREFLIGHT and session.rows:
        rows = join(session.rows)
        elapsed_s = float(rows.t_s[-1] - rows.t_s[0])
        passed = check_readings(rows, service.bench) + service.check_around()
        checks = [asdict(check) for check in passed]
    return {
        "phase": str(session.phase),
        "elapsed_s": round(elapsed_s, 1),
        "needed_s": PREFLIGHT_S,
        "checks": checks,
    }
