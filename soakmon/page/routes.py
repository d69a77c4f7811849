"""Routes of the page's API that the control socket does not have: sign-in, live, what opens the
feed, health.
"""

from __future__ import annotations

import asyncio
import itertools
import time
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import BaseModel, Field

from soakmon import __version__
from soakmon.bench.api import Body, do
from soakmon.bench.bench_status import BenchStatus, OutletHealth
from soakmon.bench.commands import RefusedError
from soakmon.bench.refusals import answers
from soakmon.bench.service import Service
from soakmon.cautions import CAUTIONS
from soakmon.config import Bench
from soakmon.page.access import COOKIE, DeniedError, acting, runs_nearby, visitor
from soakmon.page.door import LEAST_PASSWORD, LONGEST_NAME, Door
from soakmon.page.store import Visitor
from soakmon.physics.liquid import density_kg_per_m3
from soakmon.texts import say

LONGEST_WAIT_S = 20.0
_LOOK_S = 0.1
# While only these change, and nobody waits for them at the bench, they are sent this often: an open
# page must not cost a phone its month's data in a night.
_DRIFTING = frozenset({"t_s", "wall_s", "mass_g", "air_c", "soaked_s", "left_s", "dry_at_wall_s"})
_DRIFTING_EVERY_S = 5.0
_WATCHED = frozenset({"preflight", "filling"})
_MOST_KNOWN = 100
_HIDDEN = ("password", "token", "secret", "key", "cert")


class SignIn(Body):
    """Name and password."""

    name: str = Field(min_length=1, max_length=LONGEST_NAME)
    password: str = Field(min_length=1, max_length=200)


class SetUp(Body):
    """The first account."""

    code: str = Field(min_length=1, max_length=20, description="shown at the bench")
    name: str = Field(min_length=1, max_length=LONGEST_NAME, pattern=r"^[\w][\w .-]*$")
    password: str = Field(min_length=LEAST_PASSWORD, max_length=200)


class StartHere(Body):
    """Begin a soak."""

    title: str = Field(min_length=1, max_length=200)
    job: str | None = Field(default=None, max_length=40)
    confirmed: list[str] = Field(
        max_length=50, description="each caution (see /api/cautions), word for word"
    )
    filled: bool = Field(default=False, description="the rack is full already: await no fill")


class OpenFeedHere(Body):
    """Open the feed again."""

    confirmed: list[str] = Field(max_length=50, description="each caution, word for word")


class LiveAnswer(BaseModel):
    """What the bench does; `seen` goes into the next call, age_s is the age of the reading."""

    seen: int
    age_s: float
    version: str
    status: BenchStatus
    since: int | None = Field(
        default=None, description="status holds only what changed since that number"
    )
    gone: list[str] = Field(default_factory=list, description="keys that are no longer there")


class Me(BaseModel):
    """Who is signed in."""

    name: str
    role: str


class SignedIn(Me):
    """Who has signed in; csrf goes into the header X-CSRF-Token of whatever acts."""

    csrf: str


class ServiceHealth(BaseModel):
    """How service and machine are, and how the bench is described."""

    name: str
    version: str
    fuel: str
    density_20c_g_per_ml: float
    silent_s: dict[str, float] = Field(description="since each thread's last sign of life")
    checks: list[dict[str, Any]]
    outlets: list[OutletHealth] = Field(description="what leaves the bench: state, lag, error")
    settings: dict[str, Any]
    explained: dict[str, dict[str, str]] = Field(description="what each setting means")


class Live:
    """Numbers the states of the bench, so that a page asks for the next one."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self.last: BenchStatus | None = None
        # Numbers of another run of the service are never taken for ours.
        self.numbers = itertools.count(int(1000 * time.time()))
        self.number = next(self.numbers)
        # The latest states that somebody was told, by number: what changed since is found in them.
        self.known: dict[int, BenchStatus] = {}
        self.closing = False

    def look(self) -> int:
        """The number of the state that holds now."""
        if self.service.status is not self.last:
            self.last = self.service.status
            self.number = next(self.numbers)
        return self.number

    async def after(self, seen: int, wait_s: float, *, changes: bool = False) -> LiveAnswer:
        """The next state after the one seen, or the same when none has come in time.

        changes: only what changed since then, where that is known; at once when it matters.
        """
        begun_s = time.monotonic()
        before = self.known.get(seen) if changes else None
        while not self.closing and time.monotonic() - begun_s < wait_s:
            if self.look() != seen and not self._waits(before, time.monotonic() - begun_s):
                break
            await asyncio.sleep(_LOOK_S)
        number, status = self.look(), self.service.status
        if changes:
            self.known[number] = status
            while len(self.known) > _MOST_KNOWN:
                del self.known[next(iter(self.known))]
        answer = LiveAnswer(
            seen=number, age_s=self.service.board.age_s(), version=__version__, status=status,
            since=None, gone=[],
        )  # fmt: skip
        if before is not None:
            answer.since = seen
            answer.status = status.only(_changed(before, status))
            answer.gone = sorted(before.model_fields_set - status.model_fields_set)
        return answer

    def _waits(self, before: BenchStatus | None, waited_s: float) -> bool:
        """Whether what changed can wait: numbers that drift, while nobody stands by."""
        status = self.service.status
        if before is None or status.phase in _WATCHED or waited_s >= _DRIFTING_EVERY_S:
            return False
        same = before.model_fields_set == status.model_fields_set
        return same and _changed(before, status) <= _DRIFTING


def _changed(before: BenchStatus, now: BenchStatus) -> set[str]:
    """What is not as it was, by name."""
    fresh = now.model_fields_set - before.model_fields_set
    both = now.model_fields_set & before.model_fields_set
    return fresh | {name for name in both if getattr(before, name) != getattr(now, name)}


def confirm(confirmed: list[str]) -> None:
    """RefusedError unless each caution has been confirmed."""
    left = [caution for caution in CAUTIONS if caution not in confirmed]
    if left:
        raise RefusedError(say("routes.not_confirmed", left=left[0]))


def sign_in_routes(door: Door) -> APIRouter:
    """Routes for those who are not signed in yet, and out again."""
    router = APIRouter(prefix="/api", tags=["sign-in"])

    @router.post("/sign-in", summary="Sign in", responses=answers(401, 403, 413, 422, 429))
    def sign_in(body: SignIn, request: Request, response: Response) -> SignedIn:
        store = door.store
        address = request.client.host if request.client else ""
        secret = door.sign_in(body.name, body.password, address)
        if secret is None:
            raise DeniedError(401, say("routes.name_password_are_wrong"))
        old = request.cookies.get(COOKIE)
        if old:
            store.close_session(old)
        response.set_cookie(
            COOKIE, secret, max_age=int(store.session_s), httponly=True, samesite="lax",
            secure=request.url.scheme == "https",
        )  # fmt: skip
        session = store.session(secret)
        role, csrf = (session.role, session.csrf) if session is not None else ("", "")
        return SignedIn(name=body.name, role=role, csrf=csrf or "")

    @router.post("/set-up", summary="First account", responses=answers(403, 413, 422, 429))
    def set_up(body: SetUp) -> Me:
        if not door.set_up(body.code, body.name, body.password):
            raise DeniedError(403, say("routes.code_not_right_not_valid"))
        return Me(name=body.name, role="run")

    @router.post("/sign-out", summary="Sign out", responses=answers(401, 403, 413))
    def sign_out(
        request: Request, response: Response, who: Annotated[Visitor, Depends(acting)]
    ) -> Me:
        door.store.close_session(request.cookies.get(COOKIE, ""))
        response.delete_cookie(COOKIE)
        return Me(name=who.name, role=who.role)

    return router


def live_routes(service: Service, live: Live) -> APIRouter:
    """What the page watches, for everybody who may look."""
    router = APIRouter(prefix="/api", tags=["look"], responses=answers(401, 422))

    @router.get(
        "/live",
        summary="The next state of the bench",
        dependencies=[Depends(visitor)],
        response_model_exclude_unset=True,
    )
    async def next_state(
        seen: Annotated[int, Query(ge=0, le=2**53)] = 0,
        wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 0.0,
        changes: Annotated[
            bool, Query(description="only what changed since `seen`, as far as that is known")
        ] = False,
    ) -> LiveAnswer:
        return await live.after(seen, wait_s, changes=changes)

    @router.get("/me", summary="Who is signed in")
    def me(who: Annotated[Visitor, Depends(visitor)]) -> Me:
        return Me(name=who.name, role=who.role)

    @router.get("/cautions", summary="Cautions to confirm", dependencies=[Depends(visitor)])
    def cautions() -> list[str]:
        return list(CAUTIONS)

    @router.get("/bench", summary="Health and settings", dependencies=[Depends(visitor)])
    def bench() -> ServiceHealth:
        return health(service)

    return router


def opening_routes(service: Service) -> APIRouter:
    """What opens the feed: a person with the role run, on the local network, cautions confirmed."""
    router = APIRouter(
        prefix="/api",
        tags=["open the feed"],
        dependencies=[Depends(runs_nearby)],
        responses=answers(401, 403, 409, 413, 422, 503),
    )

    @router.post("/soak", summary="Begin a soak")
    async def start(body: StartHere) -> dict[str, int]:
        confirm(body.confirmed)
        return {
            "soak": await do(
                service,
                lambda: service.commands.start_soak(
                    body.title, body.job, cautions_confirmed=True, filled=body.filled
                ),
            )
        }

    @router.post("/feed", summary="Open the feed after an isolation")
    async def feed(body: OpenFeedHere) -> dict[str, bool]:
        confirm(body.confirmed)
        await do(service, lambda: service.commands.resume_feed(cautions_confirmed=True))
        return {"feed_open": True}

    return router


def health(service: Service) -> ServiceHealth:
    """How service and machine are."""
    bench, now_s = service.bench, service.clock.boot_s()
    fuel = bench.fuel.fuel()
    beats = {"sampler": service.beats.sampler_s, "worker": service.beats.worker_s}
    return ServiceHealth(
        name=bench.service.name,
        version=__version__,
        fuel=fuel.name,
        density_20c_g_per_ml=round(float(density_kg_per_m3(fuel, 20.0)) * 1e-3, 4),
        silent_s={name: round(max(now_s - at_s, 0.0), 1) for name, at_s in beats.items()},
        checks=[
            {"name": c.name, "passed": c.passed, "warning": c.warning, "text": c.text}
            for c in service.check_around()
        ],
        outlets=service.outlets(),
        settings=_shown(bench.model_dump(mode="json")),
        explained=_explained(),
    )


def _explained() -> dict[str, dict[str, str]]:
    """What each setting means, by section and key, as `soakmon bench init` writes it."""
    sections = {name: field.annotation for name, field in Bench.model_fields.items()}
    return {
        name: {key: field.description or "" for key, field in section.model_fields.items()}
        for name, section in sections.items()
        if isinstance(section, type) and issubclass(section, BaseModel)
    }


def _shown(settings: dict[str, Any]) -> dict[str, Any]:
    """Settings without what is secret, by the names of the keys."""
    shown: dict[str, Any] = {}
    for name, value in settings.items():
        if isinstance(value, dict):
            shown[name] = _shown(value)
        elif value and any(word in name for word in _HIDDEN):
            shown[name] = "(hidden)"
        else:
            shown[name] = value
    return shown
