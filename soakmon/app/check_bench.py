"""All that preflight asks of a bench without a service: parts, outlets, records."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path

from soakmon.app.soak_context import context_for
from soakmon.bench.check import listen_and_check
from soakmon.bench.ports import BenchParts
from soakmon.bench.preflight import Check, check_context, check_outlets, check_supply
from soakmon.config import Bench
from soakmon.reach.probe import probe
from soakmon.records.opening import now


def checks_of(bench: Bench, parts: BenchParts, seconds: float, *, invented: bool) -> list[Check]:
    """Listen to the parts, which are let go of; ask outlets and records. invented: simulated."""
    try:
        checks = listen_and_check(bench, parts, seconds)
    finally:
        parts.close()
    checks += check_supply(parts.supply())
    logging.getLogger("soakmon").setLevel(logging.ERROR)  # what is down stands among the checks
    board = asyncio.run(probe(bench))
    checks += check_outlets(board.listed(), phone_needed=bench.phone.needed)
    folder = Path(bench.service.data_folder)
    checks += check_context(
        context_for(folder, None, 0, now().astimezone(), bench, invented=invented)
    )
    return checks
