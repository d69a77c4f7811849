"""Records that many benches share: steps that only add, shops apart, attachments for all."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect, text
from sqlalchemy.exc import OperationalError

from soakmon.errors import InputError
from soakmon.records.jobs import migrate as steps_of
from soakmon.records.jobs.fields import CHECKLIST
from soakmon.records.jobs.migrate import migrate, packaged_steps, state_of, version_of
from soakmon.records.jobs.server import server_engine
from soakmon.records.jobs.shared_files import SharedFiles
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result, all_jobs, attach, find_job, latest, new_job
from tests.records.jobs.conftest import NOW

PLAIN = {"customer": "C. Inventada", "machine": "four-cylinder 750", "rack": "four", "carbs": 4}
# Of one shop: of two, the tables hold twice as many.
COUNTS = {"job": 1, "carb": 4, "checklist": len(CHECKLIST), "attachment": 1, "result": 1,
          "attachment_block": 3}  # fmt: skip
ON_SERVER = pytest.mark.parametrize("opened", ["postgresql"], indirect=True)
OLD = packaged_steps()[:5]
ADDED = "ALTER TABLE job ADD COLUMN colour TEXT;"
TAKEN = "-- contract\nALTER TABLE job DROP COLUMN colour;"


def plain_engine(url: str):
    return create_engine(url.replace("postgresql:", "postgresql+psycopg:"))


def as_old(url: str, monkeypatch) -> None:
    """A program of version 5, on a database that it made."""
    monkeypatch.setattr(steps_of, "packaged_steps", lambda: OLD)
    engine = plain_engine(url)
    with engine.begin() as connection:
        migrate(connection, OLD)
        assert state_of(connection) == (5, 5)
    engine.dispose()


@ON_SERVER
def test_a_shared_database_is_changed_by_a_command_alone(opened, monkeypatch):
    folder, url = opened
    as_old(url, monkeypatch)
    monkeypatch.undo()
    with pytest.raises(InputError, match=r"version 5.*needs 6.*soakmon database migrate"):
        Records(folder, url)
    engine = plain_engine(url)
    with engine.begin() as connection:
        migrate(connection)
    engine.dispose()
    with Records(folder, url) as records, records.session() as session:
        assert new_job(session, NOW, **PLAIN).shop == ""


@ON_SERVER
def test_an_old_program_goes_on_beside_a_new_one(opened, monkeypatch):
    """It finds the version that it knows, writes as it always did, and the new one reads it."""
    folder, url = opened
    as_old(url, monkeypatch)
    engine = plain_engine(url)
    with engine.begin() as connection:
        migrate(connection, packaged_steps())
    for number in (1, 2):
        with engine.begin() as connection:
            # What version 5 asks at its opening, and what it writes.
            assert connection.scalar(text("SELECT max(version) FROM schema_version")) == 5
            assert migrate(connection, OLD) == version_of(connection)
            connection.exec_driver_sql(
                "INSERT INTO job (number, created, customer, machine, rack, carb_count, sought)"
                f" VALUES ('2025-{number:04d}', now(), 'C. Vieja', '', '', 4, '2025 c. vieja')"
            )
    engine.dispose()
    monkeypatch.undo()
    with Records(folder, url) as records, records.session() as session:
        new_job(session, NOW, **PLAIN)
        assert len(all_jobs(session)) == 3
        assert find_job(session, "2025-0002").shop == ""


def test_what_takes_away_waits_until_it_is_asked_for(records):
    steps = (*packaged_steps(), ADDED, TAKEN)
    with records.engine.begin() as connection:
        needs, applied = state_of(connection)
        assert migrate(connection, steps, contract=False) == applied + 1
        assert state_of(connection) == (needs, applied + 1)
        assert migrate(connection, steps, contract=False) == applied + 1
        assert migrate(connection, steps, contract=True) == applied + 2
        assert state_of(connection) == (applied + 2, applied + 2)
    with records.engine.begin() as connection, pytest.raises(InputError, match="install a newer"):
        migrate(connection, steps[:-1])


def test_an_empty_database_has_all_steps_at_once(opened):
    folder, url = opened
    with Records(folder, url) as records, records.engine.begin() as connection:
        assert version_of(connection) == len(packaged_steps())


def enrolled(url: str, role: str, shop: str) -> str:
    """A role of a shop that may use the records; its URL."""
    engine = plain_engine(url)
    with engine.begin() as connection:
        for statement in (
            f'DROP OWNED BY "{role}"', f'DROP ROLE "{role}"',
        ):  # fmt: skip
            known = connection.scalar(
                text("SELECT 1 FROM pg_roles WHERE rolname = :n"), {"n": role}
            )
            if known:
                connection.exec_driver_sql(statement)
        connection.exec_driver_sql(f'CREATE ROLE "{role}" LOGIN')
        connection.exec_driver_sql(f'GRANT USAGE ON SCHEMA public TO "{role}"')
        connection.exec_driver_sql(
            f'GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO "{role}"'
        )
        connection.exec_driver_sql(f'REVOKE ALL ON bench_role FROM "{role}"')
        connection.exec_driver_sql(f"INSERT INTO bench_role VALUES ('{role}', '{shop}', 'left')")
    engine.dispose()
    return url.replace("soakmon@", f"{role}@")


@ON_SERVER
def test_shops_are_apart(opened, tmp_path):
    folder, url = opened
    Records(folder, url).close()
    picture = tmp_path / "bowl.png"
    picture.write_bytes(b"\x89PNG invented" * 200_000)
    numbers = {}
    urls = {shop: enrolled(url, f"of-{shop}", shop) for shop in ("north", "south")}
    for shop, own in urls.items():
        with Records(tmp_path / shop, own) as records, records.session() as session:
            job = new_job(session, NOW, **PLAIN)
            assert records.files is not None
            attach(job, records.files, NOW, picture)
            add_result(session, None, NOW, kind="calibration", summary=shop, data={})
            numbers[shop] = job.number
    assert len(set(numbers.values())) == 2
    for shop, own in urls.items():
        other = "south" if shop == "north" else "north"
        with Records(tmp_path / f"{shop}-again", own) as records, records.session() as session:
            assert [job.number for job in all_jobs(session)] == [numbers[shop]]
            assert latest(session, "calibration").summary == shop
            with pytest.raises(InputError, match="there is no job"):
                find_job(session, numbers[other])
            for table, wanted in COUNTS.items():
                assert session.scalar(text(f"SELECT count(*) FROM {table}")) == wanted, table
            # What they have is theirs, from any of the shop's benches.
            job = find_job(session, numbers[shop])
            assert (
                records.files.check(job.attachments[0].sha256).read_bytes() == picture.read_bytes()
            )
        for statement, says in (
            (f"UPDATE job SET shop = '{other}'", "row-level security"),
            ("SELECT * FROM bench_role", "denied"),
        ):
            with (
                Records(tmp_path / shop, own) as records,
                pytest.raises(InputError, match=says),
                records.session() as session,
            ):
                session.execute(text(statement))
    with Records(folder, url) as records, records.session() as session:
        assert len(all_jobs(session)) == 2  # who owns the tables sees all


@ON_SERVER
def test_every_table_that_belongs_to_a_shop_is_behind_a_policy(records):
    with records.engine.begin() as connection:
        behind = set(connection.scalars(text("SELECT tablename FROM pg_policies")))
    found = inspect(records.engine)
    for table in found.get_table_names():
        columns = {column["name"] for column in found.get_columns(table)}
        if columns & {"job_id", "shop"} or table == "job":
            assert table in behind or table == "bench_role", table


@ON_SERVER
def test_an_attachment_reaches_every_bench_and_a_damaged_copy_is_none(opened, tmp_path):
    _, url = opened
    file, empty = tmp_path / "report.pdf", tmp_path / "empty.txt"
    file.write_bytes(bytes(range(256)) * 10_000)
    empty.write_bytes(b"")
    with Records(tmp_path / "one", url) as records, records.session() as session:
        job = new_job(session, NOW, **PLAIN)
        marks = [attach(job, records.files, NOW, one).sha256 for one in (file, empty, file)]
    with Records(tmp_path / "two", url) as other:
        assert other.files.check(marks[0]).read_bytes() == file.read_bytes()
        assert other.files.check(marks[1]).read_bytes() == b""
        with other.engine.begin() as connection:
            connection.exec_driver_sql("UPDATE attachment_block SET data = 'x' WHERE place = 1")
    with Records(tmp_path / "three", url) as third, pytest.raises(InputError, match="is missing"):
        third.files.check(marks[0])
    assert [*(tmp_path / "three" / "attachments").glob(".part*")] == []


@ON_SERVER
def test_attachments_of_before_are_shared_when_asked(opened, tmp_path):
    folder, url = opened
    file = tmp_path / "report.pdf"
    file.write_bytes(b"invented")
    with Records(folder, url) as records, records.session() as session:
        mark = attach(new_job(session, NOW, **PLAIN), records.files, NOW, file).sha256
        session.execute(text("DELETE FROM attachment_block"))
    with Records(folder, url) as records:
        assert isinstance(records.files, SharedFiles)
        assert records.files.share_all() == 1
        assert records.files.share_all() == 0
    with Records(tmp_path / "two", url) as other:
        assert other.files.check(mark).read_bytes() == b"invented"


@ON_SERVER
def test_no_connection_is_kept(opened):
    folder, url = opened
    engine = plain_engine(url)
    asked = text("SELECT count(*) FROM pg_stat_activity WHERE application_name = 'kept'")
    with Records(folder, f"{url}&application_name=kept") as records:
        for _ in range(3):
            with records.session() as session:
                all_jobs(session)
        end_s = time.monotonic() + 5  # the server takes a moment to let go
        with engine.connect() as connection:
            while (left := connection.scalar(asked)) and time.monotonic() < end_s:
                connection.rollback()
        assert left == 0
    engine.dispose()


@ON_SERVER
def test_a_server_that_is_full_is_asked_again(opened, monkeypatch):
    _, url = opened
    engine = server_engine(
        plain_engine(url).url, sleep=(waits := []).append, now_s=lambda: float(len(waits))
    )
    real, tries = engine.dialect.loaded_dbapi.connect, []

    def connect(*words, **options):
        tries.append(1)
        if len(tries) < 4:
            raise engine.dialect.loaded_dbapi.OperationalError(
                "FATAL:  sorry, too many clients already"
            )
        return real(*words, **options)

    monkeypatch.setattr(engine.dialect.loaded_dbapi, "connect", connect)
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT 1")) == 1
    assert len(waits) == 3
    monkeypatch.setattr(
        engine.dialect.loaded_dbapi, "connect",
        lambda *_, **__: (_ for _ in ()).throw(
            engine.dialect.loaded_dbapi.OperationalError("FATAL:  password is wrong")
        ),
    )  # fmt: skip
    before = len(waits)
    with pytest.raises(OperationalError, match="password is wrong"):
        engine.connect()
    assert len(waits) == before


def bouncer(folder: Path, server: str) -> tuple[subprocess.Popen[bytes], int]:
    """pgbouncer with two connections for all, by transactions."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    users, file = folder / "users.txt", folder / "pgbouncer.ini"
    users.write_text('"soakmon" ""\n')
    file.write_text(
        f"[databases]\npostgres = host={server} user=soakmon\n[pgbouncer]\n"
        f"listen_addr = 127.0.0.1\nlisten_port = {port}\nunix_socket_dir =\nauth_type = any\n"
        f"auth_file = {users}\npool_mode = transaction\n"
        "default_pool_size = 2\nmax_client_conn = 500\n"
    )
    folder.chmod(0o755)
    tool = shutil.which("pgbouncer", path="/usr/sbin:/usr/bin")
    assert tool is not None, "pgbouncer is missing: bash tests/run brings it"
    process = subprocess.Popen(
        [tool, "-q", "-u", "nobody", str(file)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(500):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.01)
    return process, port


@ON_SERVER
def test_who_keeps_files_needs_no_second_connection(opened, tmp_path):
    """Else a hundred that keep a report at once hold all there are, and all wait for one more."""
    folder, url = opened
    Records(folder, url).close()
    own = enrolled(url, "left", "north")
    engine = plain_engine(url)
    with engine.begin() as connection:
        connection.execute(text('ALTER ROLE "left" CONNECTION LIMIT 1'))
    engine.dispose()
    picture = tmp_path / "bowl.png"
    picture.write_bytes(b"\x89PNG invented")
    with Records(tmp_path / "left", own, patience_s=0.0) as records, records.session() as session:
        job = new_job(session, NOW, **PLAIN)
        attach(job, records.files, NOW, picture)
        number, sha256 = job.number, job.attachments[0].sha256
    # What another one has kept is fetched by the connection that asks for it.
    with Records(tmp_path / "again", own, patience_s=0.0) as records:
        with records.session() as session:
            assert find_job(session, number).attachments[0].sha256 == sha256
            assert records.files.check(sha256).read_bytes() == picture.read_bytes()
        assert records.files.path(sha256).exists()


@ON_SERVER
def test_a_file_goes_with_what_it_belongs_to(opened, tmp_path):
    """A transaction that is taken back leaves no blocks of a file that nobody names."""
    folder, url = opened
    picture = tmp_path / "bowl.png"
    picture.write_bytes(b"\x89PNG invented")
    with Records(folder, url) as records:
        with records.session() as session:
            attach(new_job(session, NOW, **PLAIN), records.files, NOW, picture)
            session.rollback()
        with records.session() as session:
            assert session.scalar(text("SELECT count(*) FROM attachment_block")) == 0
            attach(new_job(session, NOW, **PLAIN), records.files, NOW, picture)
            # The same file twice is there once, and does not spoil the transaction.
            attach(new_job(session, NOW, **PLAIN), records.files, NOW, picture)
        with records.session() as session:
            assert session.scalar(text("SELECT count(*) FROM attachment_block")) == 1


@ON_SERVER
def test_behind_a_pool_by_transactions_fifty_write_at_once(opened, tmp_path):
    folder, url = opened
    Records(folder, url).close()
    place = tmp_path / "pool"
    place.mkdir()
    process, port = bouncer(place, url.partition("host=")[2])
    pooled = f"postgresql://soakmon@127.0.0.1:{port}/postgres"
    found: list[str] = []

    def write(number: int) -> None:
        report = tmp_path / f"{number}.pdf"
        report.write_bytes(b"%PDF invented" + bytes([number]))
        with Records(tmp_path / str(number), pooled) as records:
            for _ in range(2):
                with records.session() as session:
                    job = new_job(session, NOW, **PLAIN)
                    add_result(
                        session, job, NOW, kind="soak", summary="tight", data={"x": [1]},
                        files=[(records.files, report)],
                    )  # fmt: skip
                    found.append(job.number)

    try:
        threads = [threading.Thread(target=write, args=(number,)) for number in range(50)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(120)
    finally:
        process.kill()
        process.wait()
    assert len(set(found)) == len(found) == 100
