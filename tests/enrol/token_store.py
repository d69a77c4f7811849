"""A stand-in for InfluxDB 2 that keeps to its documented API, as far as enrolling needs it.

"InfluxDB OSS v2 API" (the vendor's OpenAPI contract for OSS): GET /api/v2/buckets by name and org;
GET, POST /api/v2/authorizations, DELETE /api/v2/authorizations/{authID}; errors are JSON with
`code`, a created authorization (201) holds `id` and `token`, a deletion answers 204. Writing and
querying need an authorization of the bucket for it.
"""

from __future__ import annotations

import json
import re
import secrets
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

OPERATOR = "operators-own-word"
ORG, ORG_ID, BUCKET_ID = "workshop", "00000000000000a1", "00000000000000b1"
Answer = tuple[int, object]


class TokenStore:
    """bucket: its name; authorizations by id; down: it answers nothing but 503."""

    def __init__(self, bucket: str = "soakmon") -> None:
        self.bucket = bucket
        self.down = False
        self.authorizations: dict[str, dict[str, object]] = {}
        self.lines: list[str] = []
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.server_address[1]}"

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def tokens(self) -> dict[str, str]:
        """Token by description."""
        return {str(one["description"]): str(one["token"]) for one in self.authorizations.values()}

    def answer(self, method: str, path: str, token: str, body: bytes) -> Answer:
        parts = urlsplit(path)
        query = {key: values[0] for key, values in parse_qs(parts.query).items()}
        if self.down:
            return 503, _error("unavailable", "come later")
        if token != OPERATOR and token not in self.tokens().values():
            return 401, _error("unauthorized", "unauthorized access")
        match method, parts.path:
            case "GET", "/api/v2/buckets":
                return self._buckets(query)
            case "GET", "/api/v2/authorizations" if token == OPERATOR:
                own = [a for a in self.authorizations.values() if a["orgID"] == query.get("orgID")]
                return 200, {"authorizations": own, "links": {"self": path}}
            case "POST", "/api/v2/authorizations" if token == OPERATOR:
                return self._authorize(json.loads(body))
            case "POST", "/api/v2/write" if self._may(token, "write", query):
                self.lines += body.decode().splitlines()
                return 204, None
            case "POST", "/api/v2/query" if self._may(token, "read", query):
                return 200, self._found(body.decode())
        found = re.fullmatch(r"/api/v2/authorizations/(\w+)", parts.path)
        if method == "DELETE" and found and token == OPERATOR:
            if self.authorizations.pop(found[1], None) is None:
                return 404, _error("not found", "authorization not found")
            return 204, None
        return 404, _error("not found", "path not found")

    def _buckets(self, query: dict[str, str]) -> Answer:
        if query.get("org") != ORG:
            return 404, _error("not found", f'organization name "{query.get("org")}" not found')
        here = query.get("name") in {None, self.bucket}
        one = {"id": BUCKET_ID, "orgID": ORG_ID, "name": self.bucket, "retentionRules": []}
        return 200, {"buckets": [one] if here else [], "links": {"self": "/api/v2/buckets"}}

    def _authorize(self, asked: dict[str, object]) -> Answer:
        permissions = asked.get("permissions")
        if asked.get("orgID") != ORG_ID or not isinstance(permissions, list) or not permissions:
            return 400, _error("invalid", "orgID and permissions are needed")
        for one in permissions:
            assert one["action"] in {"read", "write"}
            assert one["resource"]["type"] == "buckets"
        number = secrets.token_hex(8)
        kept = {"id": number, "token": secrets.token_urlsafe(32), "status": "active"} | asked
        self.authorizations[number] = kept
        return 201, kept

    def _may(self, token: str, action: str, query: dict[str, str]) -> bool:
        one = next((a for a in self.authorizations.values() if a["token"] == token), None)
        return (
            one is not None
            and query.get("org") == ORG
            and any(
                p["action"] == action and p["resource"].get("id") == BUCKET_ID
                for p in one["permissions"]  # type: ignore[attr-defined]
            )
        )

    def _found(self, flux: str) -> str:
        """The values of the measurement and bench that a query filters by, as annotated CSV."""
        named = re.search(r'_measurement == "(\w+)" and r.bench == "([^"]+)"', flux)
        assert named, flux
        own = [one for one in self.lines if one.startswith(f"{named[1]},bench={named[2]} ")]
        values = [one.split(" ")[1].partition("=")[2] for one in own]
        return "\r\n".join([",result,table,_value", *(f",,0,{value}" for value in values), ""])

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        store = self

        class Handler(BaseHTTPRequestHandler):
            def _any(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                token = self.headers.get("Authorization", "").removeprefix("Token ")
                status, found = store.answer(self.command, self.path, token, body)
                text = found if isinstance(found, str) else json.dumps(found)
                told = b"" if found is None else text.encode()
                self.send_response(status)
                self.send_header("Content-Length", str(len(told)))
                kind = "text/csv" if isinstance(found, str) else "application/json"
                self.send_header("Content-Type", kind)
                self.end_headers()
                self.wfile.write(told)

            def do_GET(self) -> None:
                self._any()

            def do_POST(self) -> None:
                self._any()

            def do_DELETE(self) -> None:
                self._any()

            def log_message(self, *_: object) -> None:
                pass

        return Handler


def _error(code: str, message: str) -> dict[str, str]:
    return {"code": code, "message": message}
