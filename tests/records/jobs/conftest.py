"""Invented jobs in fresh records: in SQLite and in PostgreSQL."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

from soakmon.records.jobs.correct import Author
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_note, add_result, attach, new_job, set_carb, tick

NOW = datetime(2026, 3, 1, 8, 30, tzinfo=UTC)
BY = Author("C. Inventada", NOW)
INVENTED = "Frau Süß-Łukasz, 鈴木 (invented)"


def _server() -> Path:
    places = [Path(p).parent for p in [shutil.which("initdb")] if p]
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    found = [p for p in places if (p / "initdb").exists() and (p / "postgres").exists()]
    assert found, "the PostgreSQL server is missing: bash tests/run brings it"
    return found[0]


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """A server of its own in a scratch folder, on a local socket only."""
    server = _server()
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    # The server refuses to run as root.
    user = "nobody" if os.geteuid() == 0 else None
    if user:
        os.chown(folder, pwd.getpwnam(user).pw_uid, -1)
    options: dict[str, Any] = {"user": user, "cwd": folder, "stdout": subprocess.DEVNULL}
    data = folder / "data"
    init: list[Any] = [
        server / "initdb",
        "-D",
        data,
        "-U",
        "soakmon",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--no-sync",
    ]
    subprocess.run(init, check=True, stderr=subprocess.DEVNULL, **options)
    flags = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off"
    control: list[Any] = [server / "pg_ctl", "-D", data, "-w"]
    subprocess.run([*control, "-l", folder / "log", "-o", flags, "start"], check=True, **options)
    try:
        yield f"postgresql://soakmon@/postgres?host={folder}"
    finally:
        subprocess.run([*control, "-m", "immediate", "stop"], check=True, **options)
        shutil.rmtree(folder)


@pytest.fixture(params=["sqlite", "postgresql"])
def opened(request, tmp_path) -> Iterator[tuple[Path, str | None]]:
    """A data folder and the URL of an empty database (None: SQLite in the folder)."""
    if request.param == "sqlite":
        yield tmp_path / "data", None
        return
    url = request.getfixturevalue("postgres_url")
    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    yield tmp_path / "data", url


@pytest.fixture
def records(opened) -> Iterator[Records]:
    with Records(*opened) as made:
        yield made


@pytest.fixture
def number(records, tmp_path) -> str:
    """The number of an invented job that has everything a job can have."""
    picture = tmp_path / "camera" / "bowl <2>.png"
    picture.parent.mkdir()
    picture.write_bytes(b"\x89PNG invented")
    with records.session() as session:
        job = new_job(
            session, NOW, customer=INVENTED, machine="twin <750>", rack="four & rail", carbs=4
        )
        facts = ["jet.main=105", "bowl_gasket_renewed=no", "float_height_mm=21.5"]
        set_carb(job, 2, facts, BY)
        set_carb(job, 2, ["bowl_gasket_renewed=yes"], BY)
        add_note(job, NOW, "bowl gasket fought back", carb=2, by="B. <Invented>")
        add_note(job, NOW, "rail joints greased")
        tick(job, 3, "A. Erfunden", NOW)
        attach(job, records.files, NOW, picture, "before <cleaning>")
        data = {"readings": [{"mass_g": 100.0, "reading": 1e5}, {"mass_g": 200.0, "note": "ü"}]}
        add_result(session, job, NOW, kind="drain", summary="bowls alike", data=data)
        soak = {"verdict": {"verdict": "tight"}}
        files = [(records.files, picture)]
        add_result(session, job, NOW, kind="soak", summary="tight", data=soak, files=files)
        return job.number
