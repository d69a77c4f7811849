"""Proof that a bench may what it must: one message, one point, one job record, read back each."""

from __future__ import annotations

import asyncio
import json
import secrets
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx

from soakmon.config import Bench
from soakmon.errors import SoakmonError
from soakmon.reach.influx import InfluxWriter, RejectedError
from soakmon.reach.mqtt import client_id, connect
from soakmon.reach.points import Point
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import Message, Topics
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result, latest
from soakmon.records.opening import now
from soakmon.texts import say

_WITHIN_S = 10.0
_EVERY_S = 0.2
# A store that was asked for a series just before it was there may go on saying no for some time.
_POINT_WITHIN_S = 60.0
KIND = "enrol"


def message(bench: Bench, within_s: float = _WITHIN_S) -> str:
    """Publish on the bench's own topic and hear it; why not, or empty."""
    try:
        return asyncio.run(_message(bench, within_s))
    except (SoakmonError, ReachError) as error:
        return str(error)


async def _message(bench: Bench, within_s: float) -> str:
    own = bench.service
    topic = Topics(bench.mqtt.prefix, own.name, shop=own.shop).of("enrol")
    token = secrets.token_hex(8)
    hears = asyncio.Event()

    async with connect(bench.mqtt, client_id(own.name, "enrol")) as link:

        async def listen() -> None:
            async for received in link.listen([topic], hears.set):
                if received.payload == token.encode():
                    return

        listening = asyncio.create_task(listen())
        try:
            await asyncio.wait_for(hears.wait(), within_s)
            await link.publish(Message(topic, token, retain=False))
            await asyncio.wait_for(asyncio.shield(listening), within_s)
        except TimeoutError:
            return say("enrol.message_lost", topic=topic)
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)
    return ""


def point(
    bench: Bench, within_s: float = _POINT_WITHIN_S, sleep: Callable[[float], None] = time.sleep
) -> str:
    """Write a point and read it back; why not, or empty."""
    number = float(secrets.randbelow(10**9))
    at_ns = round(time.time() * 1e3) * 1_000_000
    written = Point("soak_enrol", {"bench": bench.service.address}, {"said": number}, at_ns, 0)
    try:
        writer = InfluxWriter(bench.influx)
        try:
            writer.write([written])
        finally:
            writer.close()
    except (SoakmonError, ReachError, RejectedError) as error:
        return str(error)
    end_s = time.monotonic() + within_s
    why = say("enrol.point_lost")
    while time.monotonic() < end_s:
        try:
            if number in _held(bench, writer.token):
                return ""
        except httpx.HTTPError as error:
            why = say("enrol.point_unread", why=type(error).__name__)
        sleep(_EVERY_S)
    return why


def _held(bench: Bench, token: str) -> list[float]:
    """Values of such points that the store has: asked as VictoriaMetrics is, else with Flux."""
    section = bench.influx
    base, name = section.url.rstrip("/"), bench.service.address
    with httpx.Client(timeout=section.timeout_s) as http:
        asked = {"match[]": f'soak_enrol_said{{bench="{name}"}}'}
        answer = http.get(f"{base}/api/v1/export", params=asked)
        if answer.is_success:
            lines = [json.loads(line) for line in answer.text.splitlines() if line]
            return [float(value) for line in lines for value in line["values"]]
        # InfluxDB 2, from memory of its documentation: the token must allow reading as well.
        query = (
            f'from(bucket: "{section.bucket}") |> range(start: -1h) |> filter(fn: (r) =>'
            f' r._measurement == "soak_enrol" and r.bench == "{name}")'
        )
        head = {
            "Authorization": f"Token {token}", "Content-Type": "application/vnd.flux",
            "Accept": "application/csv",
        }  # fmt: skip
        place = f"{base}/api/v2/query"
        answer = http.post(place, params={"org": section.org}, content=query, headers=head)
        answer.raise_for_status()
        return [value for line in answer.text.splitlines() for value in _numbers(line)]


def _numbers(line: str) -> list[float]:
    numbers = []
    for part in line.split(","):
        with suppress(ValueError):
            numbers.append(float(part))
    return numbers


def record(bench: Bench, folder: Path, url: str) -> str:
    """Keep a result, read it back by another connection, take it away; why not, or empty."""
    name, token = bench.service.name, secrets.token_hex(8)
    try:
        with Records(folder, url) as records:
            with records.session() as session:
                add_result(session, None, now(), kind=KIND, summary=token, data={}, bench=name)
            with records.session() as session:
                result: Any = latest(session, KIND, name)
                if result is None or result.summary != token:
                    return say("enrol.record_lost")
                session.delete(result)
    except SoakmonError as error:
        return str(error)
    return ""
