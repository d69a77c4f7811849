"""The job record in its database: numbers, versions, what is written comes back."""

from __future__ import annotations

import multiprocessing
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import inspect

from soakmon.errors import InputError
from soakmon.records.jobs import findable
from soakmon.records.jobs.correct import correct_job
from soakmon.records.jobs.fields import CHECKLIST, CarbFields, height_within, parse_pairs
from soakmon.records.jobs.files import FileStore, safe_name
from soakmon.records.jobs.migrate import migrate, packaged_steps, version_of
from soakmon.records.jobs.models import Base, Carb
from soakmon.records.jobs.store import DATABASE, Records, engine_of, take_number
from soakmon.records.jobs.work import (
    add_check,
    add_note,
    add_result,
    all_jobs,
    carb_values,
    find_carb,
    find_job,
    latest,
    new_job,
    set_carb,
    tick,
    untick,
)
from tests.benchmark_jobs import fill, listing_s
from tests.records.jobs.conftest import BY, INVENTED, NOW

PLAIN = {"customer": "invented", "machine": "m", "rack": "r", "carbs": 2}


def _make_jobs(folder, url, count, queue):
    with Records(folder, url) as records:
        for _ in range(count):
            with records.session() as session:
                queue.put(new_job(session, NOW, **PLAIN).number)


def test_numbers_count_by_year(records):
    with records.session() as session:
        first = [new_job(session, NOW, **PLAIN).number for _ in range(2)]
        later = new_job(session, NOW + timedelta(days=400), **PLAIN).number
        again = new_job(session, NOW, **PLAIN).number
    assert [*first, later, again] == ["2026-0001", "2026-0002", "2027-0001", "2026-0003"]


def test_a_number_taken_back_with_its_job_leaves_no_trace(records):
    def fails():
        with records.session() as session:
            new_job(session, NOW, **PLAIN)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fails()
    with records.session() as session:
        assert all_jobs(session) == []
        assert new_job(session, NOW, **PLAIN).number == "2026-0001"


def test_desks_that_make_jobs_at_once_get_different_numbers(opened):
    spawn = multiprocessing.get_context("spawn")
    queue = spawn.Queue()
    desks = [spawn.Process(target=_make_jobs, args=(*opened, 10, queue)) for _ in range(3)]
    for desk in desks:
        desk.start()
    numbers = [queue.get(timeout=60) for _ in range(30)]
    for desk in desks:
        desk.join(60)
        assert desk.exitcode == 0
    assert sorted(numbers) == [f"2026-{n:04d}" for n in range(1, 31)]


def test_ten_thousand_jobs_are_listed_and_searched_at_once(records):
    """tests/benchmark_jobs.py prints the figures; here a loose bound on a busy machine."""
    fill(records, 10_000)
    for word, count in (("", 50), ("ŁUKASZ 777", 11), ("nowhere", 0)):
        assert min(listing_s(records, word, count)[0] for _ in range(3)) < 1.0
    with records.session() as session:
        assert all_jobs(session, most=2)[0].last == "leaking (invented)"


def test_what_is_written_comes_back(opened, records, number):
    with Records(*opened) as again, again.session() as session:
        job = find_job(session, number)
        assert job.customer == INVENTED
        assert job.created == NOW
        assert job.created.tzinfo is UTC
        second = carb_values(job.carbs[1])
        assert second["jets"] == {"main": "105"}
        # It was "no" first, and has been corrected.
        assert second["bowl_gasket_renewed"] is True
        assert second["needle_seat_renewed"] is None
        assert second["float_height_mm"] == 21.5
        assert [note.carb for note in job.notes] == [2, None]
        assert [note.written_by for note in job.notes] == ["B. <Invented>", ""]
        assert len(job.checklist) == len(CHECKLIST)
        assert (job.checklist[2].done_by, job.checklist[2].done_at) == ("A. Erfunden", NOW)
        assert [one.kind for one in job.results] == ["drain", "soak"]
        assert job.results[0].data["readings"][1]["note"] == "ü"
        assert [one.result_id for one in job.attachments] == [None, job.results[1].id]
        path = records.files.check(job.attachments[0].sha256)
        assert path.read_bytes() == b"\x89PNG invented"


def test_the_steps_make_the_tables_of_the_models(records):
    found = inspect(records.engine)
    others = {"bench_role"} if records.engine.dialect.name == "postgresql" else set()
    assert set(found.get_table_names()) == {
        *Base.metadata.tables, "schema_version", "schema_step", "job_counter", *others,
    }  # fmt: skip
    for table in Base.metadata.tables.values():
        columns = {c["name"]: c for c in found.get_columns(table.name)}
        assert set(columns) == set(table.columns.keys()), table.name
        for name, column in columns.items():
            wanted = table.columns[name]
            assert column["nullable"] == wanted.nullable or wanted.primary_key, (table.name, name)
            kind = column["type"].python_type
            assert issubclass(kind, wanted.type.python_type) or kind is dict, (table.name, name)


def test_every_field_has_its_column():
    assert set(CarbFields.model_fields) == set(Carb.__table__.columns.keys()) - {
        "id", "job_id", "place",
    }  # fmt: skip


def test_a_later_step_is_applied_once_and_keeps_what_was_there(records, number):
    steps = (*packaged_steps(), "ALTER TABLE job ADD COLUMN colour TEXT; -- invented step\n")
    for _ in range(2):
        with records.engine.begin() as connection:
            assert migrate(connection, steps) == len(steps)
            assert version_of(connection) == len(steps)
    with records.session() as session:
        assert find_job(session, number).customer == INVENTED
    with records.engine.begin() as connection:
        assert connection.exec_driver_sql("SELECT colour FROM job").fetchall() == [(None,)]


def test_notes_from_before_they_had_authors_are_kept_without_one(opened):
    folder, url = opened
    folder.mkdir()
    engine = engine_of(folder, url)
    with engine.begin() as connection:
        assert migrate(connection, packaged_steps()[:2]) == 2
        connection.exec_driver_sql(
            "INSERT INTO job (number, created, customer, machine, rack, carb_count) "
            "VALUES ('2026-0001', '2026-03-01 08:30:00', 'invented', '', '', 1)"
        )
        connection.exec_driver_sql(
            "INSERT INTO note (job_id, at, text) "
            "SELECT id, '2026-03-01 08:30:00', 'an old note' FROM job"
        )
    if url is not None:
        with engine.begin() as connection:  # on a server it is a command's
            migrate(connection)
    engine.dispose()
    with Records(*opened) as again, again.session() as session:
        job = find_job(session, "2026-0001")
        assert [(note.text, note.written_by) for note in job.notes] == [("an old note", "")]
        add_note(job, NOW, "a new one", by="B. Invented")
    with Records(*opened) as again, again.session() as session:
        notes = find_job(session, "2026-0001").notes
        assert [note.written_by for note in notes] == ["", "B. Invented"]
        assert [job.number for job in all_jobs(session, "INVENTED")] == ["2026-0001"]


def test_a_step_that_fails_leaves_the_database_as_it_was(records):
    steps = (*packaged_steps(), "CREATE TABLE half (id {id}); ALTER TABLE none ADD COLUMN x TEXT;")
    with pytest.raises(Exception, match="none"), records.engine.begin() as connection:
        migrate(connection, steps)
    assert "half" not in inspect(records.engine).get_table_names()
    with records.engine.begin() as connection:
        assert version_of(connection) == len(packaged_steps())


def test_records_of_a_newer_program_are_refused(opened, records):
    with records.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE schema_version SET version = 99")
    with pytest.raises(InputError, match=r"version 99.*install a newer"):
        Records(*opened)


def test_a_file_that_is_no_database_is_one_clear_line(tmp_path):
    (tmp_path / DATABASE).write_bytes(b"not a database at all" * 100)
    with pytest.raises(InputError, match="cannot be opened: file is not a database"):
        Records(tmp_path)


@pytest.mark.parametrize(
    ("url", "says"),
    [("nonsense", "cannot be read"), ("mysql://u:secret@h/d", "postgresql"), ("://", "cannot be")],
)
def test_database_urls_that_do_not_work_keep_their_password(tmp_path, url, says):
    with pytest.raises(InputError, match=says) as problem:
        Records(tmp_path, url)
    assert "secret" not in str(problem.value)


def test_the_database_is_one_file(tmp_path):
    with Records(tmp_path) as records, records.session() as session:
        new_job(session, NOW, **PLAIN)
    assert [p.name for p in tmp_path.iterdir()] == [DATABASE]
    with closing(sqlite3.connect(tmp_path / DATABASE)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_times_of_any_zone_are_kept_as_the_same_instant(records):
    there = datetime(2026, 3, 1, 10, 30, tzinfo=timezone(timedelta(hours=2)))
    with records.session() as session:
        number = new_job(session, there, **PLAIN).number
    with records.session() as session:
        assert find_job(session, number).created == NOW


def test_ticks_notes_tasks_and_search(records, number):
    with records.session() as session:
        job = find_job(session, number)
        assert untick(job, 3).done_by is None
        assert add_check(job, "polish").place == len(CHECKLIST) + 1
        assert tick(job, len(job.checklist), "B", NOW).done_at == NOW
        for wrong in (0, 99):
            with pytest.raises(InputError, match="checklist"):
                tick(job, wrong, "B", NOW)
        with pytest.raises(InputError, match="--by"):
            tick(job, 1, " ", NOW)
        with pytest.raises(InputError, match="empty"):
            add_note(job, NOW, "  ")
        with pytest.raises(InputError, match="1 to 4, not 5"):
            add_note(job, NOW, "x", carb=5)
        assert [j.number for j in all_jobs(session, "SÜSS")] == [number]
        assert [j.number for j in all_jobs(session, "suss")] == [number]
        assert all_jobs(session, "nowhere") == []
        with pytest.raises(InputError, match="no job x: numbers look like"):
            find_job(session, "x")


def test_a_job_is_found_by_what_was_put_right_and_by_signs_as_they_are(records, number):
    with records.session() as session:
        other = new_job(session, NOW, customer="100 %_invented", machine="m", rack="r", carbs=1)
    with records.session() as session:
        correct_job(find_job(session, number), {"customer": "Ærø Motorer"}, BY)
    with records.session() as session:
        for word, found in [
            ("ærø motor", [number]), ("süß", []), ("% _", []), ("%_", [other.number]),
            ("0 %", [other.number]), ("\\", []), ("/", []), (" ", [other.number, number]),
        ]:  # fmt: skip
            assert [job.number for job in all_jobs(session, word)] == found, word


def test_jobs_that_nobody_made_findable_are_found_after_the_next_opening(opened, records, number):
    with records.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE job SET sought = NULL")
    with Records(*opened) as again, again.session() as session:
        assert [job.number for job in all_jobs(session, "suss")] == [number]


@pytest.mark.parametrize("opened", ["postgresql"], indirect=True)
def test_a_server_with_trigrams_searches_by_them(records):
    with records.engine.begin() as connection:
        # Of few jobs the server would rather read all.
        connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
        plan = connection.exec_driver_sql(
            "EXPLAIN SELECT id FROM job WHERE sought LIKE '%%nowhere%%'"
        ).scalars()
        assert "job_sought_trigram" in "\n".join(plan)


@pytest.mark.parametrize("opened", ["postgresql"], indirect=True)
def test_a_role_that_may_make_no_index_searches_all_the_same(opened, records, number, monkeypatch):
    with records.engine.begin() as connection:
        connection.exec_driver_sql("DROP INDEX job_sought_trigram")
    monkeypatch.setattr(findable, "_TRIGRAMS", ("CREATE EXTENSION none_of_that_name",))
    with Records(*opened) as again, again.session() as session:
        assert [job.number for job in all_jobs(session, "suss")] == [number]


def test_numbers_have_no_ceiling(records):
    with records.session() as session:
        take_number(session, "2026-9999999")
        job = new_job(session, NOW, **PLAIN)
        assert job.number == "2026-10000000"
        assert find_job(session, job.number).id == job.id


def test_the_latest_of_a_kind_is_found_with_or_without_job(records, number):
    with records.session() as session:
        assert latest(session, "calibration") is None
        add_result(session, None, NOW, kind="calibration", summary="a", data={})
        later = NOW + timedelta(days=1)
        add_result(session, None, later, kind="calibration", summary="b", data={})
        assert latest(session, "calibration").summary == "b"


@pytest.mark.parametrize("carbs", [0, 9])
def test_racks_have_one_to_eight(records, carbs):
    with records.session() as session, pytest.raises(InputError, match="1 to 8"):
        new_job(session, NOW, **{**PLAIN, "carbs": carbs})


@pytest.mark.parametrize(
    ("pair", "says"),
    [
        ("bowl_gasket", "write KEY=VALUE"),
        ("bowl_gaskets_renewed=yes", "did you mean bowl_gasket_renewed"),
        ("zzz=1", "there are jet.NAME"),
        ("float_height_mm=tall", "float_height_mm: write a number, as 14.2"),
        ("mixture_turns=-1", "mixture_turns"),
        ("mixture_turns=nan", "mixture_turns"),
        ("overflow_lip=maybe", "overflow_lip"),
        ("jets=1", "there are jet.NAME|did you mean"),
    ],
)
def test_what_cannot_be_written_down_is_told(pair, says):
    with pytest.raises(InputError, match=says):
        parse_pairs([pair], {})


def test_an_empty_value_takes_back(records, number):
    with records.session() as session:
        job = find_job(session, number)
        carb = find_carb(job, 2)
        set_carb(job, 2, ["jet.main=", "float_height_mm="], BY)
        assert carb.jets == {}
        assert carb.float_height_mm is None


@pytest.mark.parametrize(
    ("height", "within"), [(20.9, False), (21, True), (23, True), (None, None)]
)
def test_float_height_against_its_limits(height, within):
    values = CarbFields(float_height_mm=height, float_height_low_mm=21, float_height_high_mm=23)
    assert height_within(values) is within


def test_limits_the_wrong_way_round_are_refused():
    with pytest.raises(InputError, match="swap"):
        parse_pairs(["float_height_low_mm=3", "float_height_high_mm=2"], {})


def test_files_are_kept_once_and_checked(tmp_path):
    store = FileStore(tmp_path / "store")
    for name in ("a", "b"):
        (tmp_path / name).write_text("same")
    first, second = store.add(tmp_path / "a"), store.add(tmp_path / "b")
    assert first == second
    assert len([p for p in store.folder.rglob("*") if p.is_file()]) == 1
    store.path(first[0]).write_text("damaged")
    with pytest.raises(InputError, match="is damaged"):
        store.check(first[0])
    with pytest.raises(InputError, match="not a SHA-256"):
        store.path("../../etc/passwd")
    with pytest.raises(InputError, match="is missing"):
        store.check("0" * 64)
    with pytest.raises(InputError, match="cannot be read"):
        store.add(tmp_path / "none")


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("a.png", "a.png"),
        ("../../x", "x"),
        ("Schöner Bowl.JPG", "Sch_ner_Bowl.JPG"),
        ("..", "file"),
        ("鈴木", "file"),
        ("x" * 300 + ".png", "x" * 60 + ".png"),
    ],
)
def test_safe_names(name, safe):
    assert safe_name(name) == safe
