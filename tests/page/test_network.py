"""By which names and from which addresses the page is called, with and without a proxy."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from soakmon.bench_toml import parse_bench
from soakmon.errors import InputError
from soakmon.page.app import build_page
from soakmon.page.network import behind, names_of, neighbourhood, unknown_name
from tests.page.conftest import ELSEWHERE, HERE
from tests.page.served import PASSWORD
from tests.page.test_access import OPENING, START, STATIC, operations

FOR, PROTO = "x-forwarded-for", "x-forwarded-proto"


def told(client, proxy, *lines, host=b"bench"):
    """Who calls and how, by lines of X-Forwarded-For and the like."""
    scope = {
        "type": "http", "scheme": "http", "client": (client, 4711),
        "headers": [(b"host", host), *((k.encode(), v.encode()) for k, v in lines)],
    }  # fmt: skip
    found = behind(scope, proxy)
    return found["client"][0], found["scheme"], len(found["headers"])


@pytest.mark.parametrize(
    "lines",
    [
        [(FOR, "10.0.0.9, 203.0.113.4")],
        [(FOR, "10.0.0.9"), (FOR, "203.0.113.4")],
        [(FOR, "10.0.0.9"), (FOR, "127.0.0.1, 203.0.113.4")],
        [(FOR, "203.0.113.4"), ("x-real-ip", "10.0.0.9"), ("forwarded", "for=10.0.0.9")],
    ],
)
def test_behind_a_proxy_the_caller_is_whom_the_proxy_names(lines):
    """However many lines and words the caller brought along."""
    sealed = (PROTO, "https")
    assert told("127.0.0.1", "127.0.0.1", *lines, sealed) == ("203.0.113.4", "https", 1)
    assert told("::ffff:127.0.0.1", "127.0.0.1", *lines) == ("203.0.113.4", "http", 1)
    # Whoever else says so is not believed, and cannot open the feed.
    assert told("192.168.1.9", "127.0.0.1", *lines)[0] == "192.168.1.9"
    assert told("127.0.0.1", "", *lines)[:2] == ("127.0.0.1", "http")


@pytest.mark.parametrize(
    "lines",
    [
        [], [(FOR, "")], [(FOR, "10.0.0.9"), (FOR, "")], [(FOR, "10.0.0.9,")],
        [(FOR, "10.0.0.9, unknown")], [("x-real-ip", "10.0.0.9")],
    ],
)  # fmt: skip
def test_who_comes_through_a_proxy_that_does_not_say_whence_is_a_stranger(lines):
    assert told("127.0.0.1", "127.0.0.1", *lines)[0] == "unknown"
    assert neighbourhood("unknown") == "unknown"


def test_the_feed_stays_shut_for_who_says_that_the_proxy_vouches_for_him(proxied):
    for lines in ([(FOR, HERE), (FOR, ELSEWHERE)], [(FOR, f"{HERE}, {ELSEWHERE}")], []):
        for path, body in OPENING.items():
            answer = proxied.post(path, json=body, headers=lines)
            assert answer.status_code == 403, lines
            assert "own network" in answer.json()["problem"]
    assert proxied.post("/api/soak", json=START, headers=[(FOR, HERE)]).status_code == 200


@pytest.fixture
def proxied(paged):
    """A browser of who may run the bench, whose calls come from the proxy's address."""
    app = build_page(
        with_page(paged.service, proxy="127.0.0.1"), paged.reports, paged.desk, store=paged.store
    )
    client = TestClient(app, "http://bench.local", client=("127.0.0.1", 4711))
    client.post("/api/sign-in", json={"name": "run", "password": PASSWORD})
    client.headers["X-CSRF-Token"] = paged.store.session(client.cookies["soakmon"]).csrf
    return client


def with_page(service, **changes):
    """The service, its page set otherwise."""
    page = service.bench.page.model_copy(update=changes)
    service.bench = service.bench.model_copy(update={"page": page})
    return service


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("bench", True), ("bench.local:8321", True), ("Localhost", True), ("127.0.0.1:8321", True),
        ("[::1]:8321", True), ("192.168.7.7", True), ("[fd00::7]", True), ("198.51.100.7", True),
        ("shop.example.org", True), ("bench.local.", True), ("phone.example.org:443", True),
        ("evil.example", False), ("bench.local.evil.example", False), ("203.0.113.9", False),
        ("127.0.0.1.evil.example", False), ("", False), ("localhost@evil.example", False),
    ],
)  # fmt: skip
def test_the_page_answers_only_to_its_own_names(host, known):
    """Else a page of somebody else's could have its name lead here, and read as if it were ours."""
    bench = parse_bench(
        "[page]\nnames = ['shop.example.org']\n[phone]\nlink = 'https://phone.example.org/x'\n"
    )
    scope = {
        "type": "http", "server": ("198.51.100.7", 8321), "headers": [(b"host", host.encode())],
    }  # fmt: skip
    said = unknown_name(scope, names_of(bench))
    assert (said is None) == known
    assert known or "[page]" in said


def test_a_call_by_a_name_that_is_not_ours_is_refused_before_anything_else(paged):
    runner = paged.signed_in("run")
    for method, path in [*operations(paged), ("get", "/"), ("get", "/sign-in"), ("get", STATIC)]:
        answer = runner.request(method, path, headers={"Host": "evil.example"})
        assert answer.status_code == 421, path
        assert "names in the [page] of bench.toml" in answer.json()["problem"]


def test_neighbours_of_ipv4_are_told_apart_however_they_are_written():
    assert neighbourhood("::ffff:10.0.0.3") == neighbourhood("10.0.0.3") == "10.0.0.3"
    assert neighbourhood("2001:db8::1") == neighbourhood("2001:db8::ffff:1")


def test_the_proxy_must_be_an_address():
    with pytest.raises(InputError, match="must be an IP address"):
        parse_bench('[page]\nproxy = "nginx"\n')
