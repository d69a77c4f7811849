"""Local places that messages can be sent to: a JSON-over-HTTP one and a mail server."""

from __future__ import annotations

import email
import email.policy
import json
import socketserver
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


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
                    target.got.append({"path": self.path} | body)
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


class MailTarget:
    """A mail server that takes everything."""

    def __init__(self) -> None:
        self.got: list[email.message.EmailMessage] = []
        target = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                self.wfile.write(b"220 invented\r\n")
                while line := self.rfile.readline().strip():
                    word = line[:4].upper()
                    if word == b"DATA":
                        self.wfile.write(b"354 go on\r\n")
                        lines = []
                        while (text := self.rfile.readline()) not in {b".\r\n", b""}:
                            lines.append(text)
                        found = email.message_from_bytes(
                            b"".join(lines), policy=email.policy.default
                        )
                        target.got.append(found)
                    elif word == b"QUIT":
                        self.wfile.write(b"221 bye\r\n")
                        return
                    self.wfile.write(b"250 fine\r\n")

        self.server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
