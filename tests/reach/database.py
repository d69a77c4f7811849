"""A strict stand-in for a database that takes line protocol over HTTP."""

from __future__ import annotations

import json
import re
import threading
from collections import Counter
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

TOKEN = "invented-token-91"
_LINE = re.compile(
    r"^(?P<series>[a-z_]+(?:,[a-z_]+=(?:[^\s,=\\]|\\[ ,=])+)*) (?P<fields>\S.*) (?P<time>\d{19})$"
)
_FIELD = re.compile(r'([a-z_]+)=(-?\d+(?:\.\d+)?(?:e[+-]?\d+)?|"(?:[^"\\]|\\.)*")(?:,|$)')


class Database:
    """Keeps points by series and time. `trouble` may answer a request instead: a status and a
    message, or nothing for a second; `retry_after` goes with it. `bad` refuses single lines
    while the rest of the request is written.
    """

    def __init__(self) -> None:
        self.points: dict[tuple[str, int], dict[str, object]] = {}
        self.types: dict[str, type] = {}
        self.order: list[str] = []
        self.trouble: list[tuple[int, str]] = []
        self.bad: Callable[[str], bool] = lambda line: False
        self.requests: Counter[int] = Counter()
        self.largest = 10**9
        self.retry_after = ""
        self.wake = threading.Event()
        self.lock = threading.Lock()
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.server.daemon_threads = True
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.server_address[1]}"

    def close(self) -> None:
        self.wake.set()
        self.server.shutdown()
        self.server.server_close()

    def answer(self, path: str, headers, body: bytes) -> tuple[int, str]:
        query = parse_qs(urlsplit(path).query)
        assert urlsplit(path).path == "/api/v2/write", path
        assert query["precision"] == ["ns"]
        if headers["Authorization"] != f"Token {TOKEN}":
            return 401, "unauthorized access"
        if query["bucket"] != ["soakmon"]:
            return 404, "bucket not found"
        with self.lock:
            if self.trouble:
                status, text = self.trouble.pop(0)
                if text == "written, then silent":
                    self._take(body)
                if status == 0:
                    self.wake.wait(1.0)
                return status or 503, text
            if len(body) > self.largest:
                return 413, "request too large"
            return self._take(body)

    def _take(self, body: bytes) -> tuple[int, str]:
        lines = body.decode().split("\n")
        if all(line.startswith("#") for line in lines):
            return 400, "writing requires points"
        parsed = [(line, _LINE.match(line)) for line in lines]
        if any(match is None for _, match in parsed):
            return 400, "unable to parse"
        dropped = 0
        for line, match in parsed:
            assert match is not None
            found = _FIELD.findall(match["fields"])
            # A bare number is a float, whether it has a point or not; integers would end in i.
            fields = {name: v[1:-1] if v[0] == '"' else float(v) for name, v in found}
            assert fields
            if self.bad(line) or any(
                self.types.setdefault(name, type(value)) is not type(value)
                for name, value in fields.items()
            ):
                dropped += 1
                continue
            self.points[match["series"], int(match["time"])] = fields
            self.order.append(line)
        if dropped:
            return 400, f"partial write: field type conflict dropped={dropped}"
        return 204, ""

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        database = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                status, text = database.answer(self.path, self.headers, body)
                database.requests[status] += 1
                answer = json.dumps({"code": "invented", "message": text}).encode()
                try:
                    self.send_response(status)
                    if status != 204:
                        self.send_header("Content-Length", str(len(answer)))
                        self.send_header("Content-Type", "application/json")
                        if database.retry_after:
                            self.send_header("Retry-After", database.retry_after)
                    self.end_headers()
                    if status != 204:
                        self.wfile.write(answer)
                except OSError:
                    self.close_connection = True

            def log_message(self, *_: object) -> None:
                pass

        return Handler
