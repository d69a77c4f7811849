"""From the invitation to the proof, with real servers: let in, given new secrets, shut out."""

from __future__ import annotations

import stat

import pytest
from sqlalchemy import create_engine, text
from typer.testing import CliRunner

from soakmon.bench_toml import read_bench
from soakmon.cli.program import app
from soakmon.enrol.inviting import Desk
from soakmon.enrol.servers import read_servers
from soakmon.errors import InputError
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import all_jobs, new_job
from soakmon.records.opening import database_url, open_records
from tests.reach.metrics import Metrics
from tests.records.jobs.conftest import NOW

pytestmark = pytest.mark.long

PLAIN = {"customer": "C. Inventada", "machine": "", "rack": "", "carbs": 4}


@pytest.fixture
def database(postgres_url):
    engine = create_engine(postgres_url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    yield postgres_url
    with engine.begin() as connection:
        roles = connection.scalars(
            text("SELECT rolname FROM pg_roles WHERE rolname LIKE 'soakmon\\_%'")
        ).all()
        for role in roles:
            connection.exec_driver_sql(f'DROP OWNED BY "{role}"')
            connection.exec_driver_sql(f'DROP ROLE "{role}"')
    engine.dispose()


@pytest.fixture
def hall(tmp_path, broker, database, monkeypatch):
    monkeypatch.delenv("SOAKMON_DATABASE", raising=False)
    store = Metrics(tmp_path).start()
    owner = tmp_path / "owner.url"
    owner.write_text(database)
    socket = database.partition("host=")[2]
    file = tmp_path / "servers.toml"
    file.write_text(
        f'{broker.servers_toml}[store]\nurl = "{store.url}"\n[records]\nhost = ""\n'.replace(
            'host = ""', 'host = "localhost"'
        )
        + f'name = "postgres"\noptions = "host={socket}"\nowner_url_file = "{owner}"\n'
    )
    yield file
    store.stop()


def called(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["enrol", *map(str, arguments)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.output


def line_of(*arguments: object) -> str:
    code, output = called(*arguments)
    assert code == 0, output
    return output.split("soakmon enrol join ")[1].split()[0]


def bench_at(tmp_path, name: str):
    place = tmp_path / name
    (place / "data").mkdir(parents=True, exist_ok=True)
    file = place / "bench.toml"
    if not file.exists():
        file.write_text(
            f'[service]\ndata_folder = "{place / "data"}"\n[soak]\ncriterion_g_per_day = 3.0\n'
        )
    return file


def test_three_steps_bring_a_bench_into_a_hall(tmp_path, hall):
    line = line_of("invite", "north/left", "--servers", hall)
    file = bench_at(tmp_path, "left")
    code, output = called("join", line, "--bench", file)
    assert code == 0, output
    assert output.count("    ok  ") == 3
    bench = read_bench(file)
    assert (bench.service.address, bench.soak.criterion_g_per_day) == ("north/left", 3.0)
    assert bench.influx.catch_up == 2.5
    for name in ("mqtt.password", "influx.token", "data/database.url"):
        mode = stat.S_IMODE((file.parent / name).stat().st_mode)
        assert mode == 0o640, name
        assert (file.parent / name).read_text().strip() not in output
    # Run again, it is as it was.
    assert called("join", line, "--bench", file)[0] == 0
    assert called("list", "--servers", hall)[1].split() == ["north/left"]


def test_benches_of_two_shops_see_their_own_jobs(tmp_path, hall):
    for name in ("north/left", "north/right", "south/left"):
        line = line_of("invite", name, "--servers", hall)
        file = bench_at(tmp_path, name.replace("/", "-"))
        code, output = called("join", line, "--bench", file)
        assert code == 0, output
    with open_records(tmp_path / "north-left/data") as records, records.session() as session:
        number = new_job(session, NOW, **PLAIN).number
    seen = {}
    for name in ("north-right", "south-left"):
        with open_records(tmp_path / name / "data") as records, records.session() as session:
            seen[name] = [job.number for job in all_jobs(session)]
    assert seen == {"north-right": [number], "south-left": []}


def test_new_secrets_need_the_new_line_and_revoked_is_shut_out(tmp_path, hall):
    old = line_of("invite", "left", "--servers", hall)
    file = bench_at(tmp_path, "left")
    code, output = called("join", old, "--bench", file)
    assert code == 0, output
    url = database_url(file.parent / "data")
    new = line_of("rotate", "left", "--servers", hall)
    code, output = called("join", old, "--bench", file)
    assert code == 3
    assert "FAILED  a message to the broker" in output
    assert called("join", new, "--bench", file)[0] == 0
    assert database_url(file.parent / "data") != url
    code, output = called("revoke", "left", "--servers", hall)
    assert (code, output.split(": ")[-1].split()) == (0, ["broker,", "records"])
    code, output = called("join", new, "--bench", file)
    assert code == 3
    assert output.count("FAILED") == 2  # the store has one token for all
    assert "role" in output
    assert called("list", "--servers", hall)[1] == ""


def test_who_is_in_is_not_invited_and_who_is_not_is_not_revoked(hall):
    desk = Desk(read_servers(hall))
    desk.invite("left", "", again=False)
    with pytest.raises(InputError, match="rotate"):
        desk.invite("left", "", again=False)
    with pytest.raises(InputError, match="is not let in"):
        desk.invite("right", "", again=True)
    with pytest.raises(InputError, match="is not let in"):
        desk.revoke("right")


def test_a_line_for_another_bench_changes_nothing(tmp_path, hall):
    line = line_of("invite", "left", "--servers", hall)
    file = bench_at(tmp_path, "right")
    file.write_text(file.read_text().replace("[service]", '[service]\nname = "right"'))
    before = file.read_text()
    with pytest.raises(InputError, match=r"this is bench right.*is for left"):
        called("join", line, "--bench", file)
    assert file.read_text() == before
    assert not (file.parent / "mqtt.password").exists()


@pytest.mark.parametrize("name", ["Left", "a/b/c", "_lookout", "a b", "", "+"])
def test_names_that_would_reach_further_are_refused(hall, name):
    with pytest.raises(InputError, match="small letters"):
        called("invite", name, "--servers", hall)


def test_a_hall_file_says_what_is_wrong_with_it(tmp_path):
    file = tmp_path / "servers.toml"
    file.write_text('[broker]\nhost = "h"\nports = 1\n[store]\nurl = "broker"\n')
    with pytest.raises(InputError, match=r"(?s)broker.ports.*store.url"):
        read_servers(file)


def test_a_database_that_enrolling_made_finds_jobs_by_trigrams(hall, database):
    Desk(read_servers(hall)).invite("left", "", again=False)
    engine = create_engine(database.replace("postgresql:", "postgresql+psycopg:"))
    with engine.connect() as connection:
        asked = text("SELECT 1 FROM pg_indexes WHERE indexname = 'job_sought_trigram'")
        assert connection.scalar(asked) == 1
    engine.dispose()


def test_a_bench_role_cannot_say_of_which_shop_it_is(hall, tmp_path, database):
    line = line_of("invite", "north/left", "--servers", hall)
    file = bench_at(tmp_path, "left")
    called("join", line, "--bench", file)
    url = database_url(file.parent / "data")
    for statement in (
        "UPDATE bench_role SET shop = 'south'", "SELECT * FROM bench_role",
        "DELETE FROM schema_version", "ALTER TABLE job DISABLE ROW LEVEL SECURITY",
        "CREATE TABLE mine (x INTEGER)",
    ):  # fmt: skip
        with (
            Records(tmp_path / "x", url) as records,
            pytest.raises(InputError, match=r"denied|owner"),
            records.session() as session,
        ):
            session.execute(text(statement))
