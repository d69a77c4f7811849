"""All benches of a broker, for a terminal, a script or a screen on the wall: soakmon fleet."""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from urllib.parse import urlsplit

import typer

from soakmon.cli.options import DATA, DataOption
from soakmon.cli.printing import print_line, terminal
from soakmon.errors import InputError, TroubleError

if TYPE_CHECKING:
    from soakmon.config import Bench
    from soakmon.reach.fleet import Fleet
    from soakmon.reach.fleet_order import Asked, Shown

commands = typer.Typer()

NOT_WELL = 3
_ANSWERS_WITHIN_S, _EVERY_S = 10.0, 2.0
_SHOWN = 50
_BROKER = "mqtt://broker.local, or mqtts://user@broker.local:8883 with SOAKMON_MQTT_PASSWORD"


@commands.command()
def fleet(
    words: Annotated[
        list[str] | None, typer.Argument(metavar="[WORD]…", help="Only benches with these words.")
    ] = None,
    bench: Annotated[
        Path | None, typer.Option(metavar="TOML", help="A file with [mqtt] of the broker.")
    ] = None,
    broker: Annotated[str | None, typer.Option(metavar="URL", help=f"Instead: {_BROKER}.")] = None,
    shop: Annotated[str, typer.Option(metavar="NAME", help="Only the benches of a shop.")] = "",
    show: Annotated[str, typer.Option(help="all, needs (somebody) or running.")] = "all",
    most: Annotated[
        int | None,
        typer.Option(min=1, max=5000, help="At most so many a page; else 50, all with --json."),
    ] = None,
    page: Annotated[int, typer.Option(min=1, help="Which page.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON only.")] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Keep showing them; with --json a line each.")
    ] = False,
    serve: Annotated[
        bool, typer.Option("--serve", help="Serve it as a page for a wall screen: [page] of TOML.")
    ] = False,
    data: DataOption = DATA,
) -> None:
    """Show all benches on a broker, worst first; exit code 3 when one of them needs somebody."""
    import asyncio

    from soakmon.app.leaving import until_leave
    from soakmon.cli.terminal import plain_logs

    described = _described(bench, broker, shop)
    if serve:
        _serve(described, data)
        return
    asked = _asked(words or [], show, most or (5000 if as_json else _SHOWN), page)
    plain_logs(logging.ERROR)  # what the broker refuses is said once, at the end
    asyncio.run(until_leave(_show(described, asked, as_json=as_json, watch=watch)))


def _described(bench: Path | None, broker: str | None, shop: str) -> Bench:
    """What is known of the broker, from a file or an address."""
    described = _of_broker(bench, broker)
    if not shop:
        return described
    service = described.service.model_dump(exclude_unset=True) | {"shop": shop}
    try:
        return described.model_copy(
            update={"service": type(described.service).model_validate(service)}
        )
    except ValueError:
        raise InputError(f"--shop {shop}: small letters, digits and hyphens") from None


def _of_broker(bench: Path | None, broker: str | None) -> Bench:
    from soakmon.bench_toml import read_bench
    from soakmon.config import Bench

    if (bench is None) == (broker is None):
        raise InputError(f"name the broker: --bench TOML, or --broker {_BROKER}")
    if bench is not None:
        return read_bench(bench)
    url = urlsplit(broker or "")
    try:
        port = url.port
    except ValueError:
        port = -1
    if url.scheme not in {"mqtt", "mqtts"} or not url.hostname or port == -1:
        raise InputError(f"--broker is an address such as {_BROKER}")
    if url.password is not None:
        raise InputError("--broker: everybody sees it there; the password is SOAKMON_MQTT_PASSWORD")
    tls = url.scheme == "mqtts"
    section = {
        "enabled": True, "host": url.hostname, "port": port or (8883 if tls else 1883),
        "user": url.username or "", "tls": tls,
    }  # fmt: skip
    return Bench.model_validate({"mqtt": section})


def _asked(words: list[str], show: str, most: int, page: int) -> Asked:
    from soakmon.reach.fleet_order import Asked

    if show not in {"all", "needs", "running"}:
        raise InputError(f"--show {show}: all, needs or running")
    return Asked(" ".join(words), show, (page - 1) * most, most)  # type: ignore[arg-type]


def _serve(described: Bench, data: Path) -> None:
    import asyncio

    from soakmon.app.leaving import until_leave
    from soakmon.cli.terminal import plain_logs
    from soakmon.page.hall import serve_hall

    plain_logs()
    try:
        asyncio.run(until_leave(serve_hall(described, data)))
    except OSError as error:
        text = f"{described.page.host}:{described.page.port}: {error.strerror}"
        raise TroubleError(text) from None


async def _heard(described: Bench, watch: bool) -> AsyncIterator[Fleet]:
    """The benches once, or again and again. Raises TroubleError when the broker does not answer."""
    import asyncio

    from soakmon.reach.fleet import Fleet
    from soakmon.reach.fleet_listener import FleetListener

    fleet = Fleet()
    listener = FleetListener(described.mqtt, fleet, "fleet", shop=described.service.shop)
    try:
        listener.look()
        if not await listener.settled(_ANSWERS_WITHIN_S):
            raise TroubleError(fleet.trouble or "the broker does not answer in time")
        yield fleet
        while watch:
            await asyncio.sleep(_EVERY_S)
            listener.look()
            yield fleet
    finally:
        await listener.stop()


async def _show(described: Bench, asked: Asked, *, as_json: bool, watch: bool) -> None:
    from rich.live import Live

    from soakmon.cli.fleet_output import show_fleet
    from soakmon.reach.fleet_order import NEEDS, shown

    place = f"{described.mqtt.host}:{described.mqtt.port}"
    live = Live(console=terminal(), auto_refresh=False) if watch and not as_json else None
    if live is not None:
        live.start()
    try:
        async for fleet in _heard(described, watch):
            page = shown(fleet.listed(time.monotonic()), asked)
            trouble = "" if fleet.connected else fleet.trouble or "no connection"
            if as_json:
                sys.stdout.write(_json(place, page, trouble) + "\n")
                sys.stdout.flush()
            elif live is not None:
                live.update(show_fleet(place, page, asked, trouble), refresh=True)
            else:
                terminal().print(show_fleet(place, page, asked, trouble))
    finally:
        if live is not None:
            live.stop()
    if not page.total and not as_json:
        print_line("no bench is heard there: may this user read the broker's topics?")
    needed = not page.total or any(bench["standing"] in NEEDS for bench in page.benches)
    raise typer.Exit(NOT_WELL if needed else 0)


def _json(place: str, page: Shown, trouble: str) -> str:
    taken_at = datetime.now(UTC).isoformat(timespec="milliseconds")
    listed = {
        "schema": "soakmon.fleet/1", "taken_at": taken_at, "broker": place, "trouble": trouble,
        "total": page.total, "found": page.found, "standings": page.standings,
        "benches": page.benches,
    }  # fmt: skip
    return json.dumps(listed)
