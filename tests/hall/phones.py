"""Where the hall's messages arrive: who told what, and when."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message; at_s: monotonic."""

    who: str
    title: str
    body: str
    at_s: float


class _Server(ThreadingHTTPServer):
    request_queue_size = 1000
    daemon_threads = True


class Phones:
    """Takes messages on /<who>."""

    def __init__(self) -> None:
        self.got: list[Arrived] = []
        phones = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                at_s = time.monotonic()
                told = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                who = self.path.strip("/")
                phones.got.append(Arrived(who, told["title"], told["message"], at_s))
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = _Server(("127.0.0.1", 0), Handler)
        self.port = int(self.server.server_address[1])
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def of(self, start: str) -> list[Arrived]:
        """What came from those whose name begins so."""
        return [one for one in list(self.got) if one.who.startswith(start)]

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
