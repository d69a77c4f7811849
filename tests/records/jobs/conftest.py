"""Invented jobs in fresh records: in SQLite and in PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from soakmon.records.jobs.correct import Author
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_note, add_result, attach, new_job, set_carb, tick
from tests.records.jobs.scratch import scratch_server

NOW = datetime(2026, 3, 1, 8, 30, tzinfo=UTC)
BY = Author("C. Inventada", NOW)
INVENTED = "Frau Süß-Łukasz, 鈴木 (invented)"


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """A server of its own in a scratch folder, on a local socket only."""
    with scratch_server() as folder:
        yield f"postgresql://soakmon@/postgres?host={folder}"


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
