"""The connection to the broker by itself: sockets, wills, keys, and one that is given up."""

from __future__ import annotations

import asyncio
import socket
import threading
import time

import pytest

from soakmon.reach.mqtt import client_id, connect
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import Message
from tests.reach.bench import bench_with, until
from tests.reach.broker import Broker, certificates, free_port


async def test_a_connection_given_up_before_the_broker_answers_is_closed():
    asked, left = asyncio.Event(), asyncio.Event()

    async def never_answers(reader, writer):
        await reader.read(1)
        asked.set()
        while await reader.read(1000):
            pass
        left.set()
        writer.close()

    server = await asyncio.start_server(never_answers, "localhost", port := free_port())
    async with server:
        opening = asyncio.create_task(opened(port))
        await asyncio.wait_for(asked.wait(), 10)
        opening.cancel()
        await asyncio.gather(opening, return_exceptions=True)
        await asyncio.wait_for(left.wait(), 10)


async def test_a_connection_given_up_while_it_is_still_being_opened_is_closed(broker, monkeypatch):
    begun, go_on = threading.Event(), threading.Event()
    made: list[socket.socket] = []
    good = socket.create_connection

    def slow(*arguments, **options):
        begun.set()
        assert go_on.wait(10)
        made.append(good(*arguments, **options))
        return made[-1]

    monkeypatch.setattr(socket, "create_connection", slow)
    opening = asyncio.create_task(opened(broker.port))
    await until(begun.is_set)
    opening.cancel()
    await asyncio.gather(opening, return_exceptions=True)
    go_on.set()
    await until(lambda: made and made[0].fileno() == -1)


async def test_who_subscribes_notices_that_the_connection_broke():
    async def accepts_and_goes(reader, writer):
        await reader.read(1000)
        writer.write(b"\x20\x02\x00\x00")  # connected
        await reader.read(1000)
        writer.close()

    server = await asyncio.start_server(accepts_and_goes, "localhost", port := free_port())
    section = bench_with(mqtt={"host": "localhost", "port": port}).mqtt
    async with server, connect(section, "invented") as link:
        began_s = time.monotonic()
        with pytest.raises(ReachError, match="broke"):
            await anext(link.listen(["soakmon/#"]))
        # The library by itself would wait for ten seconds.
        assert time.monotonic() - began_s < 8


async def opened(port):
    section = bench_with(mqtt={"host": "localhost", "port": port}).mqtt
    async with connect(section, "invented"):
        pytest.fail("nobody answers")


async def test_the_last_will_comes_when_the_process_is_gone(broker, ear, tmp_path):
    section = bench_with(mqtt={"port": broker.port, "keepalive_s": 5}).mqtt
    will = Message("soakmon/bench/availability", '{"state": "offline"}', retain=True)
    async with connect(section, "invented", will) as link:
        await link.publish(Message("soakmon/bench/availability", '{"state": "online"}', True))
        await until(lambda: ear.on("soakmon/bench/availability"))
        link.client._client.socket().shutdown(2)  # as if the cable were cut
        await until(lambda: ear.on("soakmon/bench/availability")[-1]["state"] == "offline")


async def test_an_unknown_authority_is_refused(tmp_path):
    certificates(tmp_path)
    other = tmp_path / "other"
    other.mkdir()
    certificates(other)
    files = (
        f"cafile {tmp_path}/ca.pem\ncertfile {tmp_path}/server.pem\nkeyfile {tmp_path}/server.key"
    )
    broker = Broker(tmp_path, f"{files}\nallow_anonymous true\n").start()
    try:
        section = bench_with(
            mqtt={"port": broker.port, "tls": True, "ca_file": str(other / "ca.pem")}
        ).mqtt
        with pytest.raises(ReachError, match=r"(?i)certificate"):
            async with connect(section, "bench"):
                pass
    finally:
        broker.kill()


async def test_a_broker_that_is_not_there(tmp_path, caplog):
    section = bench_with(mqtt={"port": 1}).mqtt
    with pytest.raises(ReachError, match="localhost:1: no connection"):
        async with connect(section, "bench"):
            pass
    missing = bench_with(mqtt={"tls": True, "ca_file": str(tmp_path / "none")}).mqtt
    with pytest.raises(ReachError, match="cannot be read"):
        async with connect(missing, "bench"):
            pass


def test_no_two_clients_have_one_name_but_a_bench_that_connects_again_keeps_its_own():
    assert client_id("bench") != client_id("bench")
    assert client_id("bench", run="a1") == client_id("bench", run="a1") != client_id("bench")
