"""The first account's code, links to reports, live answers, and what keeps the page off."""

from __future__ import annotations

import re
import socket
import sqlite3
import subprocess
import time
from contextlib import closing

import pytest
from typer.testing import CliRunner

from soakmon.bench_toml import parse_bench
from soakmon.cli.program import app as program
from soakmon.errors import InputError, TroubleError
from soakmon.page.door import CODE_S, Door, SlowDownError
from soakmon.page.serving import open_page
from soakmon.page.store import Role, Store, StoreError
from soakmon.report.files import file_names
from tests.page.served import PASSWORD, free_port


@pytest.fixture
def fresh(tmp_path, paged):
    store = Store(tmp_path / "fresh.db", 3600.0, paged.time)
    yield Door(store, paged.time)
    store.close()


def test_the_code_opens_once(fresh):
    code = fresh.new_code()
    assert re.fullmatch(r"[2-9A-Z]{4}-[2-9A-Z]{4}", code)
    assert not fresh.set_up("WRNG-CODE", "ada", PASSWORD)
    assert fresh.set_up(code.lower().replace("-", ""), "ada", PASSWORD)
    assert fresh.store.accounts() == [("ada", Role.RUN)]
    assert not fresh.set_up(code, "eve", PASSWORD)


def test_the_code_is_over_after_an_hour_and_after_five_guesses(fresh, paged):
    code = fresh.new_code()
    paged.time.now_s += CODE_S + 1
    assert not fresh.set_up(code, "ada", PASSWORD)
    code = fresh.new_code()
    for _ in range(5):
        assert not fresh.set_up("WRNG-CODE", "ada", PASSWORD)
    with pytest.raises(SlowDownError):
        fresh.set_up(code, "ada", PASSWORD)


def test_without_a_code_nobody_is_first(fresh):
    assert not fresh.set_up("", "ada", PASSWORD)
    assert fresh.is_new


def test_the_file_holds_no_secret(fresh, tmp_path):
    fresh.store.set_account("ada", Role.RUN, fresh.hash(PASSWORD))
    secrets = [fresh.sign_in("ada", PASSWORD, "10.0.0.1")]
    secrets += [fresh.store.make_token("script", Role.LOOK, 1), fresh.store.make_link(1, 1)[0]]
    path = tmp_path / "fresh.db"
    assert path.stat().st_mode & 0o777 == 0o600
    held = b"".join(p.read_bytes() for p in tmp_path.glob("fresh.db*"))
    assert b"$argon2id$" in held
    for secret in (*secrets, PASSWORD):
        assert secret.encode() not in held


def test_a_link_shows_one_report_until_it_ends(paged, monkeypatch):
    # The test makes the report itself.
    monkeypatch.setattr("soakmon.app.report_queue.owed_in", lambda _: [])
    runner = paged.signed_in("run")
    assert runner.post("/api/soaks/1/link", json={"days": 1}).status_code == 404
    paged.service.worker.call(
        lambda: paged.service.commands.start_soak("invented rack", None, cautions_confirmed=True)
    ).result(10)
    assert runner.post("/api/soaks/1/link", json={"days": 1}).status_code == 409
    assert runner.get("/api/soaks/1/report").status_code == 409
    assert runner.post("/api/end", json={"reason": "enough"}).status_code == 200
    folder = paged.reports.path(1)
    folder.mkdir(parents=True)
    for name in file_names():
        (folder / name).write_text(f"made up {name}", encoding="utf-8")
    link = runner.post("/api/soaks/1/link", json={"days": 1}).json()
    stranger = paged.client()
    shown = stranger.get(link["path"])
    assert shown.text == "made up report.html"
    assert "sandbox" in shown.headers["content-security-policy"]
    assert stranger.get("/api/soaks/1/report/report.html").status_code == 401
    assert stranger.get("/shared/guess").status_code == 404
    paged.time.now_s += 86401
    assert stranger.get(link["path"]).status_code == 404


def test_a_report_that_cannot_be_made_says_so(paged):
    # A file where the reports' folder belongs: nothing can be written there.
    (paged.reports.folder / "reports").write_text("", encoding="utf-8")
    runner = paged.signed_in("run")
    runner.post("/api/soak", json={"title": "x", "confirmed": runner.get("/api/cautions").json()})
    runner.post("/api/end", json={"reason": "at once"})
    states = {runner.get("/api/soaks/1/report").json()["state"]}
    until = time.monotonic() + 20
    while "failed" not in states and time.monotonic() < until:
        if paged.reports.process is not None:
            paged.reports.process.wait(20)
        states.add(runner.get("/api/soaks/1/report").json()["state"])
    assert states <= {"making", "failed"}
    assert "failed" in states
    assert runner.get("/api/soaks/1/report/report.html").status_code == 404


def test_live_answers_with_the_next_state_within_a_second(paged):
    looker = paged.signed_in("look")
    first = looker.get("/api/live").json()
    for _ in range(3):
        begun = time.monotonic()
        following = looker.get("/api/live", params={"seen": first["seen"], "wait_s": 5}).json()
        assert time.monotonic() - begun < 1
        assert following["seen"] != first["seen"]
        assert following["age_s"] < 1
        first = following


def test_live_says_how_old_a_reading_is(paged):
    paged.service.threads.stop()
    paged.service.board.renewed_s -= 90
    looker = paged.signed_in("look")
    seen = looker.get("/api/live").json()["seen"]
    found = looker.get("/api/live", params={"seen": seen, "wait_s": 0.2}).json()
    assert found["seen"] == seen
    assert found["age_s"] >= 90


@pytest.mark.parametrize(
    ("toml", "why"),
    [
        ('host = "0.0.0.0"', "reachable from other machines"),
        ('host = "::"', "reachable from other machines"),
        ('host = "bench.local"', "reachable from other machines"),
        ('cert = "a.pem"', "cert and key are needed together"),
        ("port = 0", "greater than or equal to 1"),
    ],
)
def test_unsafe_settings_are_refused(toml, why):
    with pytest.raises(InputError, match=why):
        parse_bench(f"[page]\n{toml}\n")


def test_sealed_or_trusted_networks_are_allowed():
    for toml in ('cert = "a.pem"\nkey = "k.pem"', "plain_on_network = true"):
        page = parse_bench(f'[page]\nhost = "0.0.0.0"\n{toml}\n').page
        assert not page.on


def test_accounts_and_tokens_by_command(tmp_path):
    def run(*words: str, typed: str = "") -> str:
        made = CliRunner().invoke(program, ["page", *words, "--data", str(tmp_path)], input=typed)
        assert made.exit_code == 0, made.output
        return made.output

    run("account", "ada", "--role", "run", typed=f"{PASSWORD}\n{PASSWORD}\n")
    secret = run("token", "plotter", "--days", "2").strip()
    listed = run("list")
    assert "ada: run" in listed
    assert "plotter: look" in listed
    store = Store(tmp_path / "page.db", 60.0)
    assert store.token(secret).role is Role.LOOK
    assert Door(store).sign_in("ada", PASSWORD, "10.0.0.1")
    store.close()
    run("remove", "ada")
    assert "ada" not in run("list")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["account", "ada", "--password", "short"], "at least|must have"),
        (["account", "ada", "--role", "king", "--password", PASSWORD], "look or run"),
        (["token", "x", "--role", "king"], "look or run"),
        (["remove", "nobody"], "no account or token"),
    ],
)
def test_wrong_commands_say_why(tmp_path, words, why):
    made = CliRunner().invoke(program, ["page", *words, "--data", str(tmp_path)])
    assert isinstance(made.exception, InputError)
    assert re.search(why, str(made.exception))


async def test_a_taken_port_does_not_stop_the_bench(paged, capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        page = paged.service.bench.page.model_copy(update={"port": taken.getsockname()[1]})
        paged.service.bench = paged.service.bench.model_copy(update={"page": page})
        assert await open_page(paged.service, paged.reports, paged.desk) is None
    assert "no page" in capsys.readouterr().err


def seal(folder, name, *more):
    """A certificate and its key."""
    subprocess.run(
        [
            "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
            "-days", "2", "-subj", "/CN=bench", "-keyout", f"{name}.key", "-out", f"{name}.crt",
            *(more or ("-nodes",)),
        ],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ("a.crt b.key", "b.key: is not the key of"),
        ("a.crt locked.key", "locked with a passphrase"),
        ("a.crt none.key", "none.key: No such file"),
        ("none.crt a.key", "none.crt: No such file"),
        ("a.crt text", "text: is no certificate or key"),
        ("text a.key", "is no certificate or key"),
        ("a.crt .", "Is a directory"),
    ],
)
async def test_a_seal_that_does_not_fit_is_told_by_its_file(paged, tmp_path, capsys, files, says):
    """And the bench goes on."""
    seal(tmp_path, "a")
    seal(tmp_path, "b")
    seal(tmp_path, "locked", "-passout", "pass:invented")
    (tmp_path / "text").write_text("not a certificate")
    cert, key = (str(tmp_path / name) for name in files.split())
    page = paged.service.bench.page.model_copy(
        update={"cert": cert, "key": key, "port": free_port()}
    )
    paged.service.bench = paged.service.bench.model_copy(update={"page": page})
    assert await open_page(paged.service, paged.reports, paged.desk) is None
    (line,) = capsys.readouterr().err.splitlines()
    assert says in line
    assert "[page] of bench.toml" in line


def damaged(path, page):
    """A file of accounts with a page of it overwritten."""
    store = Store(path, 60.0)
    for number in range(200):
        store.set_account(f"name{number}", Role.LOOK, "x" * 100)
    store.close()
    with path.open("r+b") as file:
        file.seek(4096 * page)
        file.write(b"\xff" * 4096)


@pytest.mark.parametrize("page", [0, 1, 3])
def test_damaged_accounts_are_told_by_their_file(tmp_path, page):
    path = tmp_path / "page.db"
    damaged(path, page)
    with pytest.raises(StoreError, match=r"page\.db: the page's accounts are damaged .*: move"):
        Store(path, 60.0)
    made = CliRunner().invoke(program, ["page", "list", "--data", str(tmp_path)])
    assert isinstance(made.exception, InputError)


def test_accounts_that_another_holds_may_be_had_later(tmp_path, monkeypatch):
    path = tmp_path / "page.db"
    Store(path, 60.0).close()
    monkeypatch.setattr("soakmon.page.store._WAIT_S", 0.0)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(TroubleError, match=r"page\.db: .* cannot be used now: .*locked"):
            Store(path, 60.0).set_account("ada", Role.LOOK, "no hash")


def test_accounts_that_fail_while_the_page_is_served_are_told_in_words(paged, caplog):
    client = paged.signed_in("run")
    paged.store.connection.execute("DROP TABLE session")
    answer = client.get("/api/status")
    assert answer.status_code == 503
    assert "page.db" in answer.json()["problem"]
    assert client.get("/").status_code == 503
    assert not [record for record in caplog.records if record.exc_info]
