"""Local places that messages can be sent to: a JSON-over-HTTP one and a mail server."""

from __future__ import annotations

import email
import email.policy
import json
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx

from tests.reach.broker import free_port


class HttpTarget:
    """Keeps what is posted; `status` is what it answers."""

    def __init__(self) -> None:
        self.got: list[dict] = []
        self.status = 200
        target = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                if target.status == 200:
                    target.got.append({"path": self.path, "at_s": time.monotonic()} | body)
                self.send_response(target.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


class PushServer:
    """A push service: messages by JSON with buttons in a header, topics that can be asked again."""

    def __init__(self) -> None:
        self.got: list[dict] = []
        self.buttons: list[str] = []
        self.said: dict[str, list[str]] = {}
        self.asked = 0
        server = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.path == "/":
                    server.got.append(json.loads(body))
                    server.buttons.append(self.headers.get("X-Actions", ""))
                else:
                    server.said.setdefault(self.path[1:], []).append(body.decode())
                self._answer(b"{}")

            def do_GET(self) -> None:
                server.asked += 1
                topic, _, query = self.path[1:].partition("/json?")
                assert query.startswith("poll=1&since=")
                told = [
                    {"event": "message", "message": text} for text in server.said.get(topic, [])
                ]
                self._answer("\n".join(json.dumps(one) for one in told).encode())

            def _answer(self, body: bytes) -> None:
                self.send_response(200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def address(self) -> str:
        return f"ntfy://127.0.0.1:{self.port}/invented-topic"

    def press(self, number: int = -1) -> None:
        """As the phone does: what the button of a message says is posted."""
        kind, _, url, *rest = self.buttons[number].split(", ")
        assert kind == "http"
        said = dict(part.split("=", 1) for part in rest)
        assert said["method"] == "POST"
        httpx.post(url, content=said["body"]).raise_for_status()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


class HangingTarget:
    """Answers a byte now and then, for ever: no time limit of a read ends it."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.taken: list[socket.socket] = []
        self.begun: list[socket.socket] = []
        self.over = threading.Event()
        threading.Thread(target=self._take, daemon=True).start()
        threading.Thread(target=self._drip, daemon=True).start()

    def _take(self) -> None:
        while not self.over.is_set():
            try:
                self.taken.append(self.listener.accept()[0])
            except OSError:
                return

    def _drip(self) -> None:
        while not self.over.wait(0.5):
            for one in self.taken:
                with suppress(OSError):
                    one.sendall(b"HTTP/1.1 200 OK\r\nX-A: " if one not in self.begun else b"a")
                    self.begun.append(one)

    def close(self) -> None:
        self.over.set()
        for one in [*self.taken, self.listener]:
            one.close()


class MailTarget:
    """A real mail server (aiosmtpd, a process of its own) that puts all into a mail folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "mail"
        self.port = free_port()
        command = [
            sys.executable, "-m", "aiosmtpd", "-n", "-l", f"127.0.0.1:{self.port}",
            "-c", "aiosmtpd.handlers.Mailbox", str(self.folder),
        ]  # fmt: skip
        self.process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 20
        while not _listens(self.port):
            assert time.monotonic() < until, "the mail server does not start"
            time.sleep(0.02)
        self.read: dict[str, email.message.EmailMessage] = {}

    @property
    def got(self) -> list[email.message.EmailMessage]:
        """What has come, in order."""
        files = sorted((self.folder / "new").glob("*"), key=lambda file: file.stat().st_mtime_ns)
        for file in files:
            if file.name not in self.read:
                self.read[file.name] = email.message_from_bytes(
                    file.read_bytes(), policy=email.policy.default
                )
        return list(self.read.values())

    def address(self, login: str = "") -> str:
        return (
            f"mailto://{login}127.0.0.1:{self.port}?mode=insecure"
            "&from=bench@invented.example&to=owner@invented.example"
        )

    def close(self) -> None:
        self.process.kill()
        self.process.wait()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
