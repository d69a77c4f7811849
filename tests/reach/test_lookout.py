"""The lookout against a real broker, with a dead-man service."""

from __future__ import annotations

import asyncio
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from soakmon.errors import InputError
from soakmon.reach.lookout import Lookout
from soakmon.reach.mqtt import connect
from soakmon.reach.topics import Message, Topics, availability, body
from tests.reach.bench import bench_with, until
from tests.reach.broker import Broker

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


async def test_silence_broker_and_dead_man(tmp_path, dead_man, caplog):
    url, calls = dead_man
    broker = Broker(tmp_path).start()
    told = []
    bench = bench_with(
        mqtt={"host": "127.0.0.1", "port": broker.port, "heartbeat_s": 1},
        phone={"urls": ["json://invented.example"]},
        lookout={"silent_s": 5, "broker_s": 1, "beat_url": url, "beat_min": 0.1},
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
        await until(lambda: lookout.silence.connected)
        will = availability(TOPICS, 0.0, "offline", "connection lost")
        section = bench.mqtt
        async with connect(section, "left", will) as link:
            await link.publish(availability(TOPICS, 0.0, "online", "started"))
            await link.publish(state(1.0))
            await until(lambda: lookout.silence.benches and lookout.silence.benches["left"].phase)
            clock[0] = 6.0
            await until(lambda: told == ["Bench left is silent"])
            await link.publish(state(2.0))
            await until(lambda: told[1:] == ["Bench left is back"])
            link.client._client.socket().shutdown(2)  # the bench loses its net: its last will
            await until(lambda: lookout.silence.benches["left"].offline_s is not None)
            clock[0] = 11.5
            await until(lambda: told[2:] == ["Bench left is silent"])
        broker.kill()
        await until(lambda: not lookout.silence.connected)
        clock[0] = 20.0
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
