"""Who may do what: no view or action without sign-in, roles, CSRF, paths, markup, brute force."""

from __future__ import annotations

import json
import re

import pytest

from soakmon.bench.alarms import Wrong
from soakmon.cautions import CAUTIONS
from soakmon.page.files import fingerprint
from soakmon.page.store import LONGEST_SESSION_S, Role
from soakmon.page.text import page_texts
from soakmon.page.views import HERE as PAGE
from soakmon.page.views import VIEWS
from soakmon.texts import LANGUAGES
from tests.page.conftest import ELSEWHERE, HERE
from tests.page.served import PASSWORD

TEXTS = page_texts("en")
STATIC = f"/static/{fingerprint()}/en"
START = {"title": "invented rack", "job": None, "confirmed": list(CAUTIONS)}
OPEN = {"/api/sign-in", "/api/set-up"}
OPENING = {"/api/soak": START, "/api/feed": {"confirmed": list(CAUTIONS)}}
PLACES = {
    "soak": "1", "name": "report.html", "number": "2026-0001", "place": "1", "sha256": "0" * 64,
}  # fmt: skip


def operations(paged):
    """Every call that the description knows: a new route cannot be forgotten."""
    for path, methods in paged.app.openapi()["paths"].items():
        for method in methods:
            yield method, path.format(**PLACES)


def actions(paged):
    return [(m, p) for m, p in operations(paged) if m != "get" and p not in OPEN]


def test_nothing_without_sign_in(paged):
    stranger = paged.client()
    checked = 0
    for method, path in operations(paged):
        if path in OPEN:
            continue
        body = {} if method == "get" else {"json": {}}
        assert stranger.request(method, path, **body).status_code == 401, path
        checked += 1
    assert checked > 35
    for path in VIEWS:
        answer = stranger.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, f"/sign-in?to={path}")
    assert stranger.get("/api/openapi.json").status_code == 401
    for secret in ("", "x", "' OR 1=1 --", "\x00"):
        stranger.headers["Authorization"] = f"Bearer {secret}"
        assert stranger.get("/api/status").status_code == 401


def test_every_route_of_the_application_is_described_or_a_view(paged):
    """A route that somebody adds beside the routers would escape the tests above."""

    def flat(routes):
        for route in routes:
            inner = getattr(route, "original_router", None)
            yield from flat(inner.routes) if inner is not None else [route]

    described = set(paged.app.openapi()["paths"])
    known = described | set(VIEWS) | {
        "/sign-in", "/set-up", "/manifest.webmanifest", "/shared/{secret}", "/api/openapi.json",
        f"/static/{fingerprint()}", *(f"/static/{fingerprint()}/{one}" for one in LANGUAGES),
    }  # fmt: skip
    assert {route.path for route in flat(paged.app.routes) if hasattr(route, "path")} <= known


def test_who_may_look_cannot_run(paged):
    looker = paged.signed_in("look")
    assert looker.get("/api/status").status_code == 200
    tried = [(m, p) for m, p in actions(paged) if p != "/api/sign-out"]
    assert len(tried) > 15
    for method, path in tried:
        answer = looker.request(method, path, json={})
        assert answer.status_code == 403, path
        assert "look" in answer.json()["problem"]
    assert 'id="shut"' not in looker.get("/").text
    assert 'id="shut"' in paged.signed_in("run").get("/").text


def test_the_feed_is_opened_by_a_person_here_who_confirmed_each_caution(paged):
    for client, why in (
        (paged.signed_in("run", ELSEWHERE), "own network"),
        (paged.signed_in("run", "100.64.3.2"), "own network"),
        (paged.script(Role.RUN), "token"),
    ):
        for path, body in OPENING.items():
            answer = client.post(path, json=body)
            assert answer.status_code == 403
            assert why in answer.json()["problem"]
    runner = paged.signed_in("run")
    relayed = runner.post("/api/soak", json=START, headers={"X-Forwarded-For": HERE})
    assert relayed.status_code == 403
    for missing in range(len(CAUTIONS)):
        some = [*CAUTIONS[:missing], *CAUTIONS[missing + 1 :]]
        answer = runner.post("/api/soak", json=START | {"confirmed": some})
        assert answer.status_code == 409
        assert CAUTIONS[missing] in answer.json()["problem"]
    assert paged.service.session is None
    assert runner.post("/api/soak", json=START).json() == {"soak": 1}
    assert runner.post("/api/soak", json=START).status_code == 409
    # From anywhere the bench can be made safer.
    away = paged.signed_in("run", ELSEWHERE)
    assert away.post("/api/end", json={"reason": "from afar"}).json() == {"phase": "ended"}


@pytest.mark.parametrize("address", ["::1", "fd00::5", "::ffff:10.0.0.3", "127.0.0.1"])
def test_addresses_of_the_own_network(paged, address):
    answer = paged.signed_in("run", address).post("/api/soak", json=START)
    assert answer.status_code == 200, address


def test_other_sites_cannot_act(paged):
    runner = paged.signed_in("run")
    token = runner.headers.pop("X-CSRF-Token")
    for headers in (
        {},
        {"X-CSRF-Token": "guess"},
        {"X-CSRF-Token": token, "Origin": "http://evil.example"},
        {"X-CSRF-Token": token, "Origin": "null"},
        {"X-CSRF-Token": token, "Sec-Fetch-Site": "cross-site"},
        {"X-CSRF-Token": token, "Sec-Fetch-Site": "same-site"},
        {"X-CSRF-Token": paged.store.session(paged.signed_in("look").cookies["soakmon"]).csrf},
    ):
        for method, path in actions(paged):
            answer = runner.request(method, path, json={}, headers=headers)
            assert answer.status_code == 403, (path, headers)
    own = {"X-CSRF-Token": token, "Origin": "http://bench.local", "Sec-Fetch-Site": "same-origin"}
    assert runner.post("/api/acknowledge", headers=own).status_code == 200
    # Nor may another site sign a browser in as somebody of its choice.
    login = {"name": "run", "password": PASSWORD}
    foreign = {"Origin": "http://evil.example"}
    assert paged.client().post("/api/sign-in", json=login, headers=foreign).status_code == 403
    form = paged.client().post(
        "/api/sign-in",
        content=json.dumps(login),
        headers={"Content-Type": "text/plain"},
    )
    assert form.status_code == 422


def test_who_acknowledges_is_who_is_signed_in(paged):
    paged.service.sound("bench", "invented", Wrong.PANEL, shut=False)
    answer = paged.signed_in("run").post("/api/acknowledge", json={"by": "somebody else"})
    assert answer.json() == {"acknowledged": 1}
    (event,) = [one for one in paged.service.journal.read_events() if one.kind == "ack"]
    assert event.data["by"] == "run"


def test_a_sign_in_is_new_each_time_and_ends(paged):
    client = paged.client()
    client.cookies.set("soakmon", "planted-by-somebody")
    first = client.post("/api/sign-in", json={"name": "run", "password": PASSWORD})
    cookie = first.headers["set-cookie"]
    assert "planted" not in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    client.cookies.clear()
    secret = cookie.split("soakmon=")[1].split(";")[0]
    client.headers["Cookie"] = f"soakmon={secret}"
    assert client.get("/api/me").json() == {"name": "run", "role": "run"}
    again = client.post("/api/sign-in", json={"name": "run", "password": PASSWORD})
    assert secret not in again.headers["set-cookie"]
    assert client.get("/api/me").status_code == 401  # the earlier one has ended

    runner = paged.signed_in("run")
    kept = runner.cookies["soakmon"]
    assert runner.post("/api/sign-out").status_code == 200
    runner.cookies.set("soakmon", kept)
    assert runner.get("/api/me").status_code == 401

    idle = paged.signed_in("look")
    paged.time.now_s += 3500
    assert idle.get("/api/me").status_code == 200  # use prolongs it
    paged.time.now_s += 3500
    assert idle.get("/api/me").status_code == 200
    paged.time.now_s += 3700
    assert idle.get("/api/me").status_code == 401


def test_a_sign_in_in_daily_use_ends_too(paged):
    used = paged.signed_in("look")
    for _ in range(int(LONGEST_SESSION_S / 3000)):
        paged.time.now_s += 3000
        assert paged.store.session(used.cookies["soakmon"]) is not None
    paged.time.now_s += 3000
    assert used.get("/api/me").status_code == 401


def test_a_new_password_ends_sign_ins_and_tokens_expire(paged):
    looker, script = paged.signed_in("look"), paged.script(Role.LOOK)
    paged.store.set_account("look", Role.LOOK, paged.door.hash("another invented one"))
    assert looker.get("/api/me").status_code == 401
    assert script.get("/api/status").status_code == 200
    assert script.post("/api/isolate", json={"reason": "x"}).status_code == 403
    paged.time.now_s += 86401
    assert script.get("/api/status").status_code == 401
    runner = paged.signed_in("run")
    assert paged.store.remove_account("run")
    assert runner.get("/api/me").status_code == 401


def test_guessing_is_slowed(paged):
    paged.door._fits = lambda kept, given: False  # the slowing, not the hashing
    guesser = paged.client(ELSEWHERE)
    refused = wrong = 0
    for second in range(3600):
        paged.time.now_s += 1
        name = f"name{second}"  # another name each time: the address is slowed
        answer = guesser.post("/api/sign-in", json={"name": name, "password": "guess"})
        wrong += answer.status_code == 401
        refused += answer.status_code == 429
        if answer.status_code == 429:
            assert int(answer.headers["retry-after"]) >= 1
        if second == 600:
            break
    assert wrong <= 13
    assert refused > 500
    for number in range(40):  # another address each time: the name is slowed
        client = paged.client(f"198.51.100.{number}")
        last = client.post("/api/sign-in", json={"name": "run", "password": "guess"})
    assert last.status_code == 429
    # but never for long: a stranger must not lock the owner out
    assert int(last.headers["retry-after"]) <= 31


def test_wrong_name_and_wrong_password_look_alike(paged):
    client = paged.client()
    texts = {
        client.post("/api/sign-in", json={"name": name, "password": "wrong"}).text
        for name in ("run", "nobody")
    }
    assert len(texts) == 1


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        f"{STATIC}/../../app.py",
        f"{STATIC}/%2e%2e/app.py",
        f"{STATIC}/..%2f..%2fconfig.py",
        f"{STATIC}//etc/passwd",
        "/api/jobs/..%2f..%2fpage.db",
        "/api/jobs/2026-0001/files/..%2f..%2f..%2fpage.db",
        "/api/jobs/2026-0001/files/%2e%2e/%2e%2e/page.db",
        "/api/soaks/1/report/..%2f..%2fpage.db",
        "/api/soaks/1/report/%2e%2e/%2e%2e/page.db",
        "/api/soaks/..%2f1/report/report.html",
        "/shared/..%2f..%2fpage.db",
        "/page.db",
    ],
)
def test_paths_lead_nowhere_else(paged, path):
    answer = paged.signed_in("run").get(path)
    assert answer.status_code in {404, 422}
    assert b"SQLite" not in answer.content
    assert b"root:" not in answer.content
    assert b"import" not in answer.content


def test_markup_stays_text(paged):
    evil = "</script><img src=x onerror=alert(1)>"
    paged.store.set_account(evil, Role.RUN, paged.door.hash(PASSWORD))
    client = paged.signed_in(evil)
    shown = client.get("/bench").text
    assert "<img src=x" not in shown
    assert "&lt;img src=x" in shown
    assert client.post("/api/soak", json=START | {"title": evil}).status_code == 200
    answer = client.get("/api/soaks")
    assert answer.json()[0]["title"] == evil
    assert answer.headers["content-type"] == "application/json"


def test_careful_headers_everywhere(paged):
    client = paged.signed_in("run")
    paths = ("/", "/sign-in", "/api/status", f"{STATIC}/night.js", "/nothing", "/api/soaks/9/x")
    for path in paths:
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-opener-policy"] == "same-origin"
        assert "frame-ancestors 'none'" in policy
    assert client.get("/api/status").headers["cache-control"] == "no-store"
    assert "immutable" in client.get(f"{STATIC}/night.js").headers["cache-control"]


def test_huge_bodies_are_not_read(paged):
    client = paged.client()
    huge = {"name": "x" * 70_000, "password": "y"}
    assert client.post("/api/sign-in", json=huge).status_code == 413
    unsized = client.post("/api/sign-in", content=iter([b"{}"]))
    assert unsized.status_code == 413


def test_nothing_is_fetched_from_outside(paged):
    files = [p for p in PAGE.rglob("*") if p.suffix in {".js", ".css", ".html", ".svg"}]
    assert len(files) > 15
    for file in files:
        found = re.findall(r"https?://[^\s\"']+", file.read_text(encoding="utf-8"))
        assert set(found) <= {"http://www.w3.org/2000/svg"}, file


def test_settings_show_no_secret(paged):
    settings = paged.signed_in("look").get("/api/bench").json()["settings"]
    assert settings["rack"]["carbs"] == 4
    assert settings["page"]["port"] == 8321
    for section in settings.values():
        for name, value in section.items():
            if re.search("password|token|secret|key|cert", name):
                assert value in {"", "(hidden)"}
