"""Tries the outlets once, without a service: is there anybody at the other end?"""
# ruff: noqa: PLC0415 - the libraries of an outlet take seconds to load on a small machine

from __future__ import annotations

from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.extras import to_install
from soakmon.reach.health import Board, State
from soakmon.reach.supervise import ReachError


async def probe(bench: Bench) -> Board:
    """The health of all outlets after one try of each; no message and no point is sent."""
    board = Board()
    for name, section, attempt in (
        ("mqtt", bench.mqtt, _broker),
        ("influx", bench.influx, _database),
        ("phone", bench.phone, _phone),
    ):
        board.add(name, State.STARTING if section.enabled else State.OFF)
        if not section.enabled:
            continue
        try:
            await attempt(bench)
        except (ReachError, InputError) as error:
            board.down(name, str(error))
        except ModuleNotFoundError as error:
            board.down(name, to_install(error))
        else:
            board.up(name)
    return board


async def _broker(bench: Bench) -> None:
    from soakmon.reach.mqtt import client_id, connect

    async with connect(bench.mqtt, client_id(bench.service.name, "check")):
        pass


async def _database(bench: Bench) -> None:
    from soakmon.reach.influx import InfluxWriter

    writer = InfluxWriter(bench.influx)
    try:
        writer.ask()
    finally:
        writer.close()


async def _phone(bench: Bench) -> None:
    from soakmon.reach.phone import targets_of, understood

    unknown = [target.name for target in targets_of(bench.phone) if not understood(target)]
    if unknown:
        raise ReachError(f"{', '.join(unknown)}: the address is not understood")
