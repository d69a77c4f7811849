"""The lookout against a real broker, with a dead-man service."""

from __future__ import annotations

import asyncio
import configparser
import re
import socket
import threading
from contextlib import AsyncExitStack, asynccontextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from soakmon.errors import InputError
from soakmon.reach.lookout import Lookout
from soakmon.reach.mqtt import connect
from soakmon.reach.topics import Message, Topics, availability, body
from tests.reach.bench import bench_with, until
from tests.reach.broker import Broker
from tests.reach.test_mqtt import outlet_of, running

TOPICS = Topics("soakmon", "left")


@pytest.fixture
def dead_man():
    calls = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            calls.append(self.path)
            self.send_response(500 if len(calls) == 2 else 200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    yield f"http://127.0.0.1:{server.server_address[1]}/secret-path-99", calls
    server.shutdown()
    server.server_close()


def state(beat: float, phase: str = "soaking") -> Message:
    return Message(TOPICS.of("state"), body("state", beat, phase=phase), retain=True)


async def leading(lookout, clock) -> None:
    """Two seconds later it has claimed to tell, and has been heard."""
    await until(lambda: lookout.silence.link.connected)
    clock[0] += 1.0
    await until(lambda: lookout.leadership.echo_s == clock[0])
    clock[0] += 1.1
    assert lookout.leadership.leads(clock[0])


async def test_silence_broker_and_dead_man(tmp_path, dead_man, caplog):
    url, calls = dead_man
    broker = Broker(tmp_path).start()
    told = []
    bench = bench_with(
        mqtt={"host": "127.0.0.1", "port": broker.port, "heartbeat_s": 1},
        phone={"urls": ["json://invented.example"]},
        lookout={"silent_s": 5, "broker_s": 1, "beat_url": url, "beat_min": 0.1, "gather_s": 0},
    )
    clock = [0.0]
    lookout = Lookout(
        bench, deliver=lambda _, title, text, *, urgent: told.append(title),
        now_s=lambda: clock[0], every_s=0.02,
    )  # fmt: skip
    lookout.backoff.cap_s = 0.1
    lookout.backoff.first_s = 0.02
    task = asyncio.create_task(lookout.run())
    try:
        await leading(lookout, clock)
        will = availability(TOPICS, 0.0, "offline", "connection lost")
        section = bench.mqtt
        async with connect(section, "left", will) as link:
            await link.publish(availability(TOPICS, 0.0, "online", "started"))
            await link.publish(state(1.0))
            await until(lambda: lookout.silence.benches and lookout.silence.benches["left"].phase)
            clock[0] = 8.1
            await until(lambda: told == ["Bench left is silent"])
            await link.publish(state(2.0))
            await until(lambda: told[1:] == ["Bench left is back"])
            link.client._client.socket().shutdown(2)  # the bench loses its net: its last will
            await until(lambda: lookout.silence.benches["left"].offline_watched_s is not None)
            clock[0] = 13.6
            await until(lambda: told[2:] == ["Bench left is silent"])
        broker.kill()
        await until(lambda: not lookout.silence.link.connected)
        clock[0] = 22.1
        await until(lambda: told[3:] == ["The broker is gone"])
        assert not lookout.well
        broker.start()
        await until(lambda: told[4:] == ["The broker is back"])
        await until(lambda: len(calls) >= 1)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        broker.kill()
    assert set(calls) == {"/secret-path-99"}
    assert "secret-path" not in caplog.text


async def test_the_dead_man_is_called_only_while_all_is_well(dead_man, caplog):
    url, calls = dead_man
    bench = bench_with(
        phone={"urls": ["json://invented.example"]}, lookout={"beat_url": url, "beat_min": 0.1}
    )
    lookout = Lookout(bench, deliver=lambda *_, **__: None)
    assert not lookout.well
    beat = asyncio.create_task(lookout._beat())
    await asyncio.sleep(0.1)
    assert calls == []
    beat.cancel()
    lookout.silence.connection(True, 0.0)
    assert not lookout.well  # connected, and nothing heard
    lookout.silence.take("left", "state", state(1.0).payload.encode(), 0.0)
    assert lookout.well
    next(iter(lookout.post.lines.values())).failed = "not sent"
    assert not lookout.well


def test_less_than_two_heartbeats_are_no_silence():
    assert bench_with(mqtt={"heartbeat_s": 15}, lookout={"silent_s": 30})
    with pytest.raises(ValueError, match="less than two heartbeats"):
        bench_with(mqtt={"heartbeat_s": 16}, lookout={"silent_s": 30})


def test_without_an_address_it_says_so():
    with pytest.raises(InputError, match="phone: no address"):
        Lookout(bench_with())


def lookout_at(broker, **lookout) -> Any:
    told = []
    bench = bench_with(
        mqtt={"host": "127.0.0.1", "port": broker.port, "heartbeat_s": 1},
        phone={"urls": ["json://invented.example"]},
        lookout={"silent_s": 5, "broker_s": 60, "gather_s": 0, "lead_s": 60} | lookout,
    )
    clock = [0.0]
    made: Any = Lookout(
        bench, deliver=lambda _, title, text, *, urgent: told.append(title),
        now_s=lambda: clock[0], every_s=0.02,
    )  # fmt: skip
    made.test_told, made.test_clock = told, clock
    return made


@asynccontextmanager
async def watching(*lookouts):
    tasks = [asyncio.create_task(lookout.run()) for lookout in lookouts]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def test_two_lookouts_do_not_throw_each_other_out_and_one_tells(broker):
    first, second = lookouts = lookout_at(broker), lookout_at(broker)
    async with watching(first):
        await leading(first, first.test_clock)
        async with watching(second):
            await until(lambda: second.silence.link.connected)
            await until(lambda: second.leadership.other is not None)
            async with connect(bench_with(mqtt={"port": broker.port}).mqtt, "left") as link:
                await link.publish(state(1.0))
            await until(lambda: all("left" in one.silence.benches for one in lookouts))
            for one in lookouts:
                one.test_clock[0] += 6.0
            await until(lambda: first.test_told == ["Bench left is silent"])
            await until(lambda: second.silence.benches["left"].silent_sent and not second.duty.held)
    assert second.test_told == []
    assert all(len(one.silence.link.drops) <= 1 for one in lookouts)


async def test_a_lookout_that_is_killed_is_followed_by_the_other_which_knows_what_was_told(broker):
    """None is missed, none doubled: one bench fell silent before, one after it was killed."""
    first, second = lookouts = lookout_at(broker), lookout_at(broker)
    wire = bench_with(mqtt={"port": broker.port}).mqtt
    async with AsyncExitStack() as stack:
        async with watching(first):
            await leading(first, first.test_clock)
            second.test_clock[0] = first.test_clock[0]
            await stack.enter_async_context(watching(second))
            await until(lambda: second.leadership.other is not None)
            async with connect(wire, "left") as link:
                await link.publish(state(1.0))
                await until(lambda: all("left" in one.silence.benches for one in lookouts))
                for one in lookouts:
                    one.test_clock[0] += 6.0
                await until(lambda: first.test_told == ["Bench left is silent"])
                await until(lambda: "silent/left" in second.leadership.other.sent_keys)
                right = Topics("soakmon", "right")
                late = body("state", 1.0, phase="soaking")
                await link.publish(Message(right.of("state"), late, retain=True))
                await until(lambda: "right" in second.silence.benches)
        # The first is gone, and nobody has told of the second bench.
        second.test_clock[0] += 6.0
        await until(lambda: second.duty.held)
        assert second.test_told == []
        second.test_clock[0] += 60.0
        await until(lambda: second.leadership.echo_s == second.test_clock[0])
        second.test_clock[0] += 1.1
        await until(lambda: second.test_told == ["Bench right is silent"])
        async with connect(wire, "left") as link:
            await link.publish(state(2.0))
        await until(lambda: second.test_told[1:] == ["Bench left is back"])
    assert first.test_told == ["Bench left is silent"]


async def test_a_lookout_that_is_started_again_knows_what_was_told(broker):
    wire = bench_with(mqtt={"port": broker.port}).mqtt
    first = lookout_at(broker)
    async with watching(first), connect(wire, "left") as link:
        await leading(first, first.test_clock)
        await link.publish(state(1.0))
        await until(lambda: "left" in first.silence.benches)
        first.test_clock[0] += 6.0
        await until(lambda: first.test_told == ["Bench left is silent"])
        await until(lambda: first.leadership.sent == {"silent/left"})
        await asyncio.sleep(0.1)
    again = lookout_at(broker)
    async with watching(again), connect(wire, "left") as link:
        await until(lambda: again.silence.begun() == {"silent/left"})
        for _ in range(8):
            again.test_clock[0] += 10.0
            await asyncio.sleep(0.06)
        assert again.leadership.term == 2
        assert again.test_told == []
        await link.publish(state(2.0))
        await until(lambda: again.test_told == ["Bench left is back"])


async def test_where_the_broker_takes_no_word_of_a_lookout_it_tells_all_the_same(tmp_path):
    (tmp_path / "rights").write_text("topic read soakmon/#\ntopic write soakmon/left/#\n")
    broker = Broker(tmp_path, f"allow_anonymous true\nacl_file {tmp_path / 'rights'}\n").start()
    lookout = lookout_at(broker)
    try:
        async with watching(lookout):
            await until(lambda: lookout.silence.link.connected)
            async with connect(bench_with(mqtt={"port": broker.port}).mqtt, "left") as link:
                await link.publish(state(1.0))
            await until(lambda: "left" in lookout.silence.benches)
            for _ in range(12):
                lookout.test_clock[0] += 6.0
                await asyncio.sleep(0.06)
            await until(lambda: lookout.test_told == ["Bench left is silent"])
            assert lookout.leadership.unheard(lookout.test_clock[0])
    finally:
        broker.kill()


async def test_three_thousand_benches_that_fell_silent_are_few_messages_that_name_all(broker):
    async with connect(bench_with(mqtt={"port": broker.port}).mqtt, "many") as link:
        for number in range(3000):
            topics = Topics("soakmon", f"bench-{number}")
            payload = body("state", 1.0, phase="soaking")
            await link.publish(Message(topics.of("state"), payload, retain=True))
    bodies = []
    lookout = lookout_at(broker)
    lookout.post.deliver = lambda _, title, text, *, urgent: bodies.append(text)
    async with watching(lookout):
        await leading(lookout, lookout.test_clock)
        await until(lambda: len(lookout.silence.benches) == 3000)
        lookout.test_clock[0] += 6.0
        named = lambda: {name for text in bodies for name in re.findall(r"bench-\d+", text)}  # noqa: E731
        await until(lambda: len(named()) == 3000)
    assert len(bodies) < 40


async def test_a_lookout_without_the_right_to_read_is_not_well_and_says_so(tmp_path):
    (tmp_path / "rights").write_text("topic write soakmon/#\n")
    broker = Broker(tmp_path, f"allow_anonymous true\nacl_file {tmp_path / 'rights'}\n").start()
    lookout = lookout_at(broker, benches=["left"])
    try:
        async with watching(lookout):
            await until(lambda: lookout.silence.link.connected)
            async with connect(bench_with(mqtt={"port": broker.port}).mqtt, "left") as link:
                await link.publish(state(1.0))
            for _ in range(12):
                lookout.test_clock[0] += 6.0
                await asyncio.sleep(0.06)
            await until(lambda: lookout.test_told == ["Bench left is not heard"])
            assert not lookout.well
            assert lookout.board.listed()[1].last_error == "not heard yet: left"
    finally:
        broker.kill()


async def test_systemd_hears_that_it_is_ready_and_alive(broker, tmp_path, monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as system:
        system.bind(str(tmp_path / "notify"))
        system.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        heard = []
        async with watching(lookout_at(broker)):
            loop = asyncio.get_running_loop()
            while len(heard) < 3:
                heard.append(await asyncio.wait_for(loop.sock_recv(system, 100), 10))
    assert heard == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1"]


def test_the_unit_waits_for_no_more_than_the_lookout_says():
    unit: Any = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str
    unit.read("hardware/systemd/soakmon-lookout.service")
    assert unit["Service"]["Type"] == "notify"
    # The lookout beats every second; a hung one is started again before a bench counts as silent.
    assert 10 <= int(unit["Service"]["WatchdogSec"]) <= bench_with().lookout.silent_s / 2


async def test_a_second_bench_of_a_name_is_told_by_the_lookout(broker, tmp_path):
    lookout = lookout_at(broker)
    (tmp_path / "other").mkdir()
    first, second = (outlet_of(folder, broker.port) for folder in (tmp_path, tmp_path / "other"))
    async with watching(lookout):
        await leading(lookout, lookout.test_clock)
        async with running(first):
            await until(lambda: "bench" in lookout.silence.benches)
            async with running(second):
                await until(lambda: lookout.test_told == ["Two benches are named bench"])
                await until(lambda: second.claim.refusal)


async def test_a_lookout_of_one_shop_watches_no_other(broker):
    lookout = lookout_at(broker, shop="north", benches=["left"])
    north, south = (Topics("soakmon", "left", shop=shop) for shop in ("north", "south"))
    async with watching(lookout):
        await leading(lookout, lookout.test_clock)
        async with connect(bench_with(mqtt={"port": broker.port}).mqtt, "left") as link:
            for topics in (south, north):
                payload = body("state", 1.0, phase="soaking")
                await link.publish(Message(topics.of("state"), payload, retain=True))
        await until(lambda: lookout.silence.benches["north/left"].phase)
        lookout.test_clock[0] += 6.0
        await until(lambda: lookout.test_told == ["Bench north/left is silent"])
    assert set(lookout.silence.benches) == {"north/left"}
