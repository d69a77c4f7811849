"""A token of the store for each bench: made, replaced, ended; and where the store makes none."""

from __future__ import annotations

import json
from contextlib import closing

import pytest

from soakmon.bench_toml import read_bench
from soakmon.enrol import proof
from soakmon.enrol.inviting import Desk
from soakmon.enrol.joining import join
from soakmon.enrol.servers import StorePlace, read_servers
from soakmon.enrol.store_access import StoreAccess
from soakmon.errors import InputError
from tests.enrol.token_store import BUCKET_ID, OPERATOR, ORG_ID, TokenStore
from tests.reach.metrics import Metrics
from tests.records.jobs.conftest import NOW


@pytest.fixture
def store():
    with closing(TokenStore()) as store:
        yield store


@pytest.fixture
def access(store):
    with closing(StoreAccess(StorePlace(url=store.url), OPERATOR)) as access:
        yield access


@pytest.fixture
def hall(tmp_path, store):
    """Of broker, whose reloading does not matter here, and store."""
    operator = tmp_path / "operator.token"
    operator.write_text(f"{OPERATOR}\n")
    file = tmp_path / "servers.toml"
    file.write_text(
        f'[broker]\nhost = "h"\npassword_file = "{tmp_path / "passwords"}"\n'
        f'access_file = "{tmp_path / "access"}"\nreload = ["true"]\n'
        f'[store]\nurl = "{store.url}"\noperator_token_file = "{operator}"\n'
    )
    return file


def test_a_token_may_read_and_write_the_bucket_and_nothing_else(store, access):
    token = access.let_in("north/left")
    [one] = store.authorizations.values()
    assert one["token"] == token
    own = {"type": "buckets", "id": BUCKET_ID, "orgID": ORG_ID}
    assert [(p["action"], p["resource"]) for p in one["permissions"]] == [
        ("read", own), ("write", own)
    ]  # fmt: skip


def test_each_bench_has_one_and_a_new_one_ends_the_old_of_that_bench_alone(store, access):
    first = {name: access.let_in(name) for name in ("left", "north/left", "north/le")}
    assert len(set(first.values())) == 3
    new = access.let_in("north/left")
    assert set(store.tokens().values()) == {first["left"], first["north/le"], new}
    assert access.shut_out("north/left")
    assert not access.shut_out("north/left")
    assert set(store.tokens().values()) == {first["left"], first["north/le"]}


def test_authorizations_of_others_are_left_alone(store, access):
    other = {"orgID": ORG_ID, "description": "a dashboard's", "permissions": [
        {"action": "read", "resource": {"type": "buckets"}}]}  # fmt: skip
    body = json.dumps(other).encode()
    assert store.answer("POST", "/api/v2/authorizations", OPERATOR, body)[0] == 201
    access.let_in("left")
    access.shut_out("left")
    assert list(store.tokens()) == ["a dashboard's"]


def test_a_bucket_that_is_not_there_is_told(store):
    place = StorePlace(url=store.url, bucket="other")
    with closing(StoreAccess(place, OPERATOR)) as access, pytest.raises(InputError, match="other"):
        access.let_in("left")


@pytest.mark.parametrize(
    ("org", "operator", "why"),
    [("other", OPERATOR, r"404: organization name"), ("workshop", "wrong-word", r"401: unauth")],
)
def test_what_the_store_refuses_is_one_line_and_no_shared_token(store, org, operator, why):
    """An answer of InfluxDB is never taken for a store that has no tokens."""
    place = StorePlace(url=store.url, org=org)
    with closing(StoreAccess(place, operator)) as access, pytest.raises(InputError, match=why):
        access.let_in("left")


def test_a_store_that_does_not_answer_is_told(store, access):
    store.down = True
    with pytest.raises(InputError, match=r"the store: 503: come later"):
        access.let_in("left")
    store.close()
    with pytest.raises(InputError, match="the store: "):
        access.let_in("left")


@pytest.mark.parametrize("answer", ["<html>log in</html>", {"buckets": "many"}, {"links": {}}])
def test_what_is_no_answer_of_such_a_store_is_told(store, access, monkeypatch, answer):
    monkeypatch.setattr(store, "answer", lambda *_: (200, answer))
    with pytest.raises(InputError, match="in a form"):
        access.let_in("left")


def bench_at(tmp_path):
    (tmp_path / "data").mkdir(exist_ok=True)
    file = tmp_path / "bench.toml"
    if not file.exists():
        file.write_text(f'[service]\ndata_folder = "{tmp_path / "data"}"\n')
    return file


def test_a_bench_proves_its_own_token_which_ends_when_it_is_shut_out(tmp_path, store, hall):
    desk = Desk(read_servers(hall))
    file = bench_at(tmp_path)
    invitation = desk.invite("left", "north", again=False)
    assert desk.notes == []
    join(invitation, file, NOW)
    bench = read_bench(file)
    assert proof.point(bench) == ""
    assert store.lines
    again = desk.invite("left", "north", again=True)
    assert again.store_token != invitation.store_token
    assert "401" in proof.point(bench, within_s=0.0)
    join(again, file, NOW)
    assert proof.point(bench) == ""
    assert desk.revoke("north/left") == ["broker", "store"]
    assert "401" in proof.point(bench, within_s=0.0)
    assert store.tokens() == {}


def test_a_server_that_is_away_keeps_nobody_in_at_the_others(store, hall):
    desk = Desk(read_servers(hall))
    desk.invite("left", "", again=False)
    store.down = True
    with pytest.raises(InputError, match="the store: 503"):
        desk.revoke("left")
    assert desk.listed() == []
    store.down = False
    assert desk.revoke("left") == ["store"]


def test_where_the_store_makes_no_tokens_the_shared_one_stays_and_that_is_told(
    tmp_path, store, hall
):
    server = Metrics(tmp_path).start()
    try:
        shared = tmp_path / "shared.token"
        shared.write_text("of all")
        text = hall.read_text().replace(store.url, server.url)
        hall.write_text(f'{text}token_file = "{shared}"\n')
        desk = Desk(read_servers(hall))
        assert desk.invite("left", "", again=False).store_token == "of all"
        assert len(desk.notes) == 1
        assert "token of all" in desk.notes[0]
        assert desk.revoke("left") == ["broker"]
    finally:
        server.stop()


def test_an_empty_operators_file_is_told_and_no_shared_token_given(tmp_path, hall):
    (tmp_path / "operator.token").write_text("")
    with pytest.raises(InputError, match="is empty"):
        Desk(read_servers(hall)).invite("left", "", again=False)
