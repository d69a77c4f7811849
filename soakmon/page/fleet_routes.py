"""All benches that the broker knows, in one list; this bench is in it without a broker too."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field

from soakmon.bench.refusals import answers
from soakmon.bench.service import Service
from soakmon.page.access import visitor
from soakmon.reach.fleet import Fleet
from soakmon.reach.fleet_order import MOST_SHOWN, Asked, Shown, Which, shown
from soakmon.reach.topics import latest_alarms
from soakmon.reach_config import MqttSection
from soakmon.texts import say
from soakmon.watch.phase import Phase

if TYPE_CHECKING:
    from soakmon.reach.fleet_listener import FleetListener

# Who looks first waits this long for what the broker has kept, s.
_SETTLES_S = 1.5


class Benches(BaseModel):
    """A page of the list, worst first.

    broker: off (none in bench.toml), asking (nothing heard yet), up, or down with the reason in
    `trouble`.
    """

    broker: Literal["off", "asking", "up", "down"]
    trouble: str
    total: int = Field(description="all benches")
    found: int = Field(description="those that were asked for")
    full: bool = Field(description="whether the broker knows more than are taken in")
    standings: dict[str, int] = Field(description="how many of all benches stand how, worst first")
    benches: list[dict[str, Any]] = Field(
        description="name (and shop), standing, own where it is this bench, and of each topic "
        "heard (availability, state, phase, verdict) its values with their age_s"
    )


class FleetDesk:
    """Hears the broker while somebody looks; `section` off means that there is none.

    shop: only its benches are listed; empty for all.
    """

    def __init__(self, section: MqttSection, name: str, shop: str = "") -> None:
        self.section, self.name, self.shop = section, name, shop
        self.fleet = Fleet()
        self.listener: FleetListener | None = None

    async def look(self) -> None:
        """Somebody looks: from here on the broker is heard for a while."""
        if self.listener is None:
            # Imported here: the library is only needed where there is a broker.
            from soakmon.reach.fleet_listener import FleetListener  # noqa: PLC0415 - an extra

            self.listener = FleetListener(self.section, self.fleet, self.name, shop=self.shop)
        self.listener.look()
        await self.listener.settled(_SETTLES_S)

    async def close(self) -> None:
        """Hear nothing any more."""
        if self.listener is not None:
            await self.listener.stop()

    def page_of(self, page: Shown) -> Benches:
        """A page of the list, and how the broker is."""
        fleet = self.fleet
        # A broker grants what it then keeps back; where any bench reports something is kept.
        deaf = fleet.connected and not fleet.benches
        broker: Literal["off", "asking", "up", "down"] = "up"
        if deaf or not fleet.connected:
            broker = "down" if deaf or fleet.trouble else "asking"
        return Benches(
            broker=broker if self.section.enabled else "off",
            trouble=say("fleet_routes.broker_passes_nothing") if deaf else fleet.trouble,
            total=page.total,
            found=page.found,
            full=fleet.full,
            standings=page.standings,
            benches=page.benches,
        )


def asked(
    words: Annotated[str, Query(max_length=200, description="all of them must be found")] = "",
    which: Which = "all",
    first: Annotated[int, Query(ge=0, le=100_000)] = 0,
    most: Annotated[int, Query(ge=1, le=MOST_SHOWN)] = 50,
) -> Asked:
    """What somebody wants to see."""
    return Asked(words, which, first, most)


def fleet_routes(service: Service, desk: FleetDesk) -> APIRouter:
    """The list, for everybody who may look."""
    router = APIRouter(prefix="/api", tags=["look"], dependencies=[Depends(visitor)])

    @router.get("/benches", summary="All benches on the broker", responses=answers(401, 422))
    async def benches(wanted: Annotated[Asked, Depends(asked)]) -> Benches:
        if desk.section.enabled:
            await desk.look()
        own = _own(service)
        address = own["name"], own.get("shop", "")
        others = [
            bench
            for bench in desk.fleet.listed(time.monotonic())
            if (bench["name"], bench.get("shop", "")) != address
        ]
        return desk.page_of(shown([own, *others], wanted))

    return router


def _own(service: Service) -> dict[str, Any]:
    """This bench, without the way over the broker."""
    status = service.status
    age_s = round(time.monotonic() - service.board.renewed_s, 1)
    sent = status.as_dict()
    state: dict[str, Any] = {
        key: sent[key]
        for key in ("feed_open", "left_s", "soaked_s", "cell_trouble", "guard_trouble")
        if key in sent
    }
    state |= {"alarms_total": len(status.alarms), "alarms_waiting": len(status.waiting)}
    state |= latest_alarms(status)
    verdict, named = status.verdict, service.bench.service
    own: dict[str, Any] = {"name": named.name, "own": True}
    own |= {"shop": named.shop} if named.shop else {}
    own |= {
        "availability": {"state": "online", "reason": "", "age_s": age_s},
        "state": state | {"age_s": age_s},
        "phase": {"phase": status.phase, "reason": status.reason or "", "age_s": age_s},
    }
    if verdict is not None:
        verdict_form = {"verdict": verdict.verdict, "reason": verdict.reason}
        own["verdict"] = verdict_form | {"final": status.phase is Phase.ENDED, "age_s": age_s}
    return own
