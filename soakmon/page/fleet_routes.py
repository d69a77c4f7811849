"""All benches that the broker knows, in one list; this bench is in it without a broker too."""

from __future__ import annotations

import time
from typing import Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from soakmon.bench.refusals import answers
from soakmon.bench.service import Service
from soakmon.page.access import visitor
from soakmon.reach.backoff import Backoff
from soakmon.reach.fleet import TOPICS, Fleet
from soakmon.reach.health import Board, State
from soakmon.reach.supervise import supervise
from soakmon.texts import say
from soakmon.watch.phase import Phase

_NAME = "benches"


class Benches(BaseModel):
    """The list; broker: off (none in bench.toml), up, or down with the reason in `trouble`."""

    own: str = Field(description="name of this bench")
    broker: Literal["off", "up", "down"]
    trouble: str
    benches: list[dict[str, Any]] = Field(
        description="name, and of each topic heard (availability, state, phase, verdict) its "
        "values with their age_s"
    )


def fleet_routes(service: Service, fleet: Fleet) -> APIRouter:
    """The list, for everybody who may look."""
    router = APIRouter(prefix="/api", tags=["look"], dependencies=[Depends(visitor)])

    @router.get("/benches", summary="All benches on the broker", responses=answers(401))
    async def benches() -> Benches:
        own = service.bench.service.name
        listed = [one for one in fleet.listed(time.monotonic()) if one["name"] != own]
        # A broker grants what it then keeps back; this bench's own state is there when any is.
        deaf = fleet.connected and not fleet.benches
        broker: Literal["off", "up", "down"] = "up" if fleet.connected and not deaf else "down"
        if not service.bench.mqtt.enabled:
            broker = "off"
        return Benches(
            own=own,
            broker=broker,
            trouble=say("fleet_routes.broker_passes_nothing") if deaf else fleet.trouble,
            benches=[_own(service), *listed],
        )

    return router


def _own(service: Service) -> dict[str, Any]:
    """This bench, without the way over the broker."""
    status = service.status
    age_s = round(time.monotonic() - service.board.renewed_s, 1)
    sent = status.as_dict()
    state: dict[str, Any] = {
        key: sent[key] for key in ("feed_open", "left_s", "soaked_s") if key in sent
    }
    state |= {"alarms_total": len(status.alarms), "alarms_waiting": len(status.waiting)}
    verdict = status.verdict
    made: dict[str, Any] = {
        "name": service.bench.service.name,
        "availability": {"state": "online", "reason": "", "age_s": age_s},
        "state": state | {"age_s": age_s},
        "phase": {"phase": status.phase, "reason": status.reason or "", "age_s": age_s},
    }
    if verdict is not None:
        told = {"verdict": verdict["verdict"], "reason": verdict["reason"]}
        made["verdict"] = told | {"final": status.phase is Phase.ENDED, "age_s": age_s}
    return made


async def listen(service: Service, fleet: Fleet) -> None:
    """Hear what the broker's benches say, again and again until cancelled."""
    # Imported here: the library is only needed where there is a broker.
    from soakmon.reach.mqtt import client_id, connect  # noqa: PLC0415 - an extra

    section, board, backoff = service.bench.mqtt, Board(), Backoff(cap_s=15.0)
    board.add(_NAME, State.STARTING)

    def hears() -> None:
        fleet.connected, fleet.trouble = True, ""

    async def work() -> None:
        name = service.bench.service.name
        try:
            async with connect(section, client_id(name, "page")) as link:
                topics = [f"{section.prefix}/+/{topic}" for topic in TOPICS]
                async for received in link.listen(topics, hears, qos=0):
                    backoff.reset()
                    topic = received.topic.removeprefix(f"{section.prefix}/")
                    fleet.take(
                        topic, received.payload, time.monotonic(), time.time(),
                        kept=received.retained,
                    )  # fmt: skip
        except Exception as error:
            fleet.trouble = str(error) or type(error).__name__
            raise
        finally:
            fleet.connected = False

    await supervise(_NAME, work, board, backoff)
