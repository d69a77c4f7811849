"""What the other benches of a shop have kept in the job database that they share.

A bench learns from its own shop alone: of results that another shop has kept in the same database,
nothing is read. Only those columns and keys are fetched that something is learnt from.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from soakmon.config import Bench
from soakmon.records.identity import NAME as BENCH_ID
from soakmon.records.jobs.models import StoredResult
from soakmon.records.part_causes import KEY as CAUSES
from soakmon.records.past import KEY as EVAPORATION
from soakmon.records.traits import KEY as TRAITS

SHOP = "shop"
KEYS = (EVAPORATION, TRAITS, CAUSES)
# So many of the latest soaks of all benches are looked at: sixty each of fifty.
_LOOKED_AT = 3000


# Whose a soak was, and what it keeps under KEYS; the latest first.
ShopSoaks = Sequence[tuple[str, dict[str, Any]]]


def soaks_of_shop(session: Session, bench: Bench, *, invented: bool) -> ShopSoaks:
    """The latest soaks of the shop's benches, with all that something is learnt from: one query.

    Whose is the bench's identity, or its name where it had none yet. invented: of rehearsals.
    """
    wanted = (BENCH_ID, SHOP, *KEYS)
    of_data = [StoredResult.data[key].label(f"of_{key}") for key in wanted]
    query = (
        select(StoredResult.bench, *of_data)
        .where(
            StoredResult.kind == ("rehearsal" if invented else "soak"),
            StoredResult.bench.is_not(None),
        )
        .order_by(StoredResult.at.desc(), StoredResult.id.desc())
        .limit(_LOOKED_AT)
    )
    soaks = []
    for name, *values in session.execute(query):
        data = dict(zip(wanted, values, strict=True))
        if (data[SHOP] or "") == bench.service.shop:
            soaks.append((data[BENCH_ID] or f"name {name}", data))
    return soaks


def is_own(whose: str, bench: Bench, own: str) -> bool:
    """Whether what is kept is of the bench itself; own: its identity."""
    return whose in {own, f"name {bench.service.name}"} if own else True
