"""Connections that only wait: none of them keeps the page, or the control socket, from anybody."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import resource
import socket
import ssl
import subprocess
from typing import Any

import httpx
import pytest
import uvicorn

from soakmon.bench.client import Client
from soakmon.page.callers import (
    MOST_CALLERS,
    MOST_NEAR,
    Callers,
    Listener,
    neighbour,
    speaker,
)
from soakmon.page.server import Server
from tests.page.served import ServedBench

WHOLE = b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"
HALF = WHOLE[:-4]
# More than the buffers of both ends take.
BIG_PIECES = 1000


class Ahead(asyncio.SelectorEventLoop):
    """A loop whose time a test moves on."""

    ahead_s = 0.0

    def time(self) -> float:
        return super().time() + self.ahead_s

    async def later(self, seconds: float) -> None:
        """So much later; what is due by then happens, and its ends are seen."""
        self.ahead_s += seconds
        for _ in range(20):
            await asyncio.sleep(0.005)


async def app(scope, receive, send):
    """Reads all of the request, then answers; /big with more than anybody takes at once."""
    while (await receive()).get("more_body"):
        pass
    await send({"type": "http.response.start", "status": 200, "headers": []})
    for _ in range(BIG_PIECES if scope["path"] == "/big" else 1):
        await send({"type": "http.response.body", "body": bytes(65536), "more_body": True})
    await send({"type": "http.response.body", "body": b""})


class Open:
    """A served port and those who call it."""

    def __init__(self, loop, callers, port, trust):
        self.loop, self.callers, self.port, self.trust = loop, callers, port, trust
        self.held = []

    def connect(self, source="127.0.0.1"):
        made = socket.create_connection(("127.0.0.1", self.port), 5, (source, 0))
        made.setblocking(False)
        self.held.append(made)
        return made

    async def many(self, count, sends=b"", source="127.0.0.1"):
        made = []
        for _ in range(count):
            one = self.connect(source)
            with contextlib.suppress(OSError):
                await self.loop.sock_sendall(one, sends)
            made.append(one)
        await self.loop.later(0)
        return made

    async def get(self, source="127.0.0.1"):
        """What somebody who makes an honest call is answered with."""
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", self.port, local_addr=(source, 0), ssl=self.trust or None,
            server_hostname="localhost" if self.trust else None,
        )  # fmt: skip
        writer.write(WHOLE)
        line = await asyncio.wait_for(reader.readline(), 5)
        writer.close()
        return line


def gone(held):
    """Whether the other end has let a connection go."""
    try:
        return held.recv(1) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sealed")
    subprocess.run(
        [
            "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
            "-nodes", "-days", "2", "-subj", "/CN=bench", "-addext",
            "subjectAltName=DNS:localhost", "-keyout", "key", "-out", "crt",
        ],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    return folder


def served(test, *, folder=None, proxy=""):
    """Run a test against a port that is served as the page's is, with TLS when folder has it."""

    async def around():
        callers = Callers(proxy)
        listener = Listener.at("127.0.0.1", 0, callers)
        sealed = {} if folder is None else {
            "ssl_certfile": str(folder / "crt"), "ssl_keyfile": str(folder / "key"),
        }  # fmt: skip
        config = uvicorn.Config(
            app, http=speaker(callers), ws="none", lifespan="off", log_level="error",
            timeout_graceful_shutdown=1, **sealed,
        )  # fmt: skip
        server = Server(config)
        serving = loop.create_task(server.serve(sockets=[listener]))
        trust = None if folder is None else ssl.create_default_context(cafile=str(folder / "crt"))
        port = listener.getsockname()[1]
        while not server.started:
            await asyncio.sleep(0.005)
        opened = Open(loop, callers, port, trust)
        try:
            await test(opened)
        finally:
            for one in opened.held:
                one.close()
            server.should_exit = True
            await serving

    loop = Ahead()
    try:
        loop.run_until_complete(around())
    finally:
        loop.close()


@pytest.mark.parametrize(
    "sends", [b"", HALF, b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n"]
)
@pytest.mark.parametrize("sealed", [False, True])
def test_who_makes_no_request_in_five_seconds_is_let_go(sends, sealed, certificate):
    """Sealed: what is sent is no TLS, or its handshake never comes."""

    async def test(opened):
        waiting = await opened.many(10, sends)
        assert sealed or not any(gone(one) for one in waiting)
        await opened.loop.later(5.5)
        assert all(gone(one) for one in waiting)
        assert opened.callers.known == {}

    served(test, folder=certificate if sealed else None)


@pytest.mark.parametrize("sends", [b"", HALF])
@pytest.mark.parametrize("source", ["127.0.0.1", "127.0.0.2"])
@pytest.mark.parametrize("sealed", [False, True])
def test_any_number_that_waits_keeps_nobody_out(sends, source, sealed, certificate, caplog):
    async def test(opened):
        await opened.many(3 * MOST_CALLERS, sends)
        assert len(opened.callers.known) <= MOST_NEAR
        assert b"200" in await opened.get(source)

    served(test, folder=certificate if sealed else None)
    told = [record for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(told) == 1
    assert "connections too many, the last from 127.0.0.1" in told[0].getMessage()


def test_nor_do_they_from_many_addresses(caplog):
    async def test(opened):
        for house in range(1, 21):
            await opened.many(20, HALF, f"127.0.7.{house}")
            assert len(opened.callers.known) <= MOST_CALLERS
        assert b"200" in await opened.get("127.0.0.2")

    served(test)


def test_behind_a_proxy_one_address_is_many():
    async def test(opened):
        await opened.many(MOST_NEAR + 20, HALF)
        assert len(opened.callers.known) == MOST_NEAR + 20
        await opened.many(MOST_CALLERS, HALF)
        assert len(opened.callers.known) <= MOST_CALLERS
        assert b"200" in await opened.get()

    served(test, proxy="127.0.0.1")


def test_a_large_upload_has_its_time():
    """One byte after the other is none: what is announced must come at some pace."""

    async def test(opened):
        head = b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000\r\n\r\n"
        honest, slow = await opened.many(2, head)
        await opened.loop.later(12)
        await opened.loop.sock_sendall(honest, bytes(1_000_000))
        await opened.loop.sock_sendall(slow, bytes(100))
        await opened.loop.later(0)
        assert b"200" in honest.recv(100)
        await opened.loop.later(4)
        assert gone(slow)

    served(test)


def test_who_takes_nothing_of_an_answer_is_let_go():
    async def test(opened):
        (idle, reader) = await opened.many(2, WHOLE.replace(b"/ ", b"/big "))
        await opened.loop.later(15)
        # Taking some of it gives more time; a further byte sent does not.
        for _ in range(200):
            with contextlib.suppress(BlockingIOError):
                reader.recv(1 << 17)
            await asyncio.sleep(0.001)
        await opened.loop.sock_sendall(idle, b"G")
        await opened.loop.later(6)
        assert len(opened.callers.known) == 1
        await opened.loop.later(60)
        assert opened.callers.known == {}

    served(test)


def test_who_is_given_an_answer_is_not_turned_out_for_others():
    """A long poll waits for the bench, not for its caller."""

    async def test():
        callers = Callers(now_s=lambda: 0.0)
        ended = []

        def come(key):
            assert callers.have_room()
            return callers.admit(key, lambda: ended.append(key))

        for port in range(MOST_NEAR):
            assert come(("10.0.0.1", port))
            callers.serve(("10.0.0.1", port))
        assert not come(("10.0.0.1", 999))
        for port in range(MOST_CALLERS - MOST_NEAR):
            assert come((f"10.0.1.{port}", 1))
            callers.serve((f"10.0.1.{port}", 1))
        assert not come(("10.0.0.2", 1))
        assert ended == []
        # One of them waits for a next request: it can go.
        callers.wait(("10.0.1.7", 1), 9.0)
        assert not callers.have_room()
        assert ended == [("10.0.1.7", 1)]
        callers.closed(("10.0.1.7", 1))
        assert come(("10.0.0.2", 1))
        callers.closed(("10.0.0.2", 1))

    asyncio.run(test())


def test_silent_connections_of_the_control_socket_lock_nobody_out(tmp_path):
    """A script that forgets its connections, half of them in the middle of a request."""
    place = str(tmp_path / "control.sock")

    async def test():
        listener = socket.socket(socket.AF_UNIX)
        listener.bind(place)
        http = neighbour()
        server = Server(uvicorn.Config(app, http=http, ws="none", lifespan="off"))
        serving = loop.create_task(server.serve(sockets=[listener]))
        while not server.started:
            await asyncio.sleep(0.005)
        silent = []
        for number in range(300):
            reader, writer = await asyncio.open_unix_connection(place)
            writer.write(HALF if number % 2 else b"")
            silent.append((reader, writer))
        made: Any = http
        known = made.args[0].known
        await loop.later(0)
        assert len(known) <= MOST_NEAR
        reader, writer = await asyncio.open_unix_connection(place)
        writer.write(WHOLE)
        assert (await reader.readline()).startswith(b"HTTP/1.1 200")
        await loop.later(60)
        assert not known
        for _, one in [*silent, (reader, writer)]:
            one.close()
            with contextlib.suppress(OSError):
                await one.wait_closed()
        server.should_exit = True
        await serving
        listener.close()

    loop = Ahead()
    try:
        loop.run_until_complete(test())
    finally:
        loop.close()


def test_1300_silent_connections_leave_the_bench_its_control_socket(tmp_path):
    """The bench as a process of its own, allowed a quarter of the usual number of files."""
    made = ServedBench(tmp_path, "dry-rack", 10)
    resource.prlimit(made.process.pid, resource.RLIMIT_NOFILE, (256, 256))
    silent = []
    try:
        for number in range(1300):
            silent.append(socket.create_connection(("127.0.0.1", made.port), 10))
            if number % 100 == 99:
                for old in silent[:-700]:
                    old.close()  # this end has no more files than others
                status = Client(tmp_path / "data" / "control.sock").get("/status")
                assert status["bench"] == "bench"
        transport = httpx.HTTPTransport(local_address="127.0.0.2")
        with httpx.Client(transport=transport) as client:
            assert client.get(f"{made.address}/set-up").status_code == 200
    finally:
        for one in silent:
            one.close()
        assert made.stop() == 0
    said = (tmp_path / "out.txt").read_text(encoding="utf-8")
    assert "Traceback" not in said
    assert len(said.splitlines()) < 20
