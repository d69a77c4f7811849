"""Input that is meant to do harm: refused in one clear line, or shown inert."""

from __future__ import annotations

import csv
import io
import json
import random
import shutil
import zipfile

import pytest

from soakmon.errors import InputError
from soakmon.records.jobs.export import export_job
from soakmon.records.jobs.importing import import_job
from soakmon.records.jobs.models import Note
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.text import inert
from soakmon.records.jobs.work import (
    add_check,
    add_note,
    add_result,
    attach,
    attach_stream,
    find_job,
    new_job,
    set_carb,
    tick,
)
from soakmon.records.room import RESERVE_BYTES
from tests.desk import Desk
from tests.records.jobs.conftest import BY, NOW
from tests.records.jobs.test_export import Page, resum

MARKUP = "<script>alert(1)</script> [red]x[/red] {nb} **b** ../../etc/passwd C:\\x 'OR 1=1;--"
STEERING = ["a\x1b[2Jb", "a\x07", "a\x00b", "a\u202egnp.exe", "\u2066a", "a\x9b31m", "\udcffa"]
SCRIPTS = ["أحمد بن علي", "דוד לוי", "鈴木 一郎", "Łukasz Süß", "न्यू"]


def job_with(session, **names):
    plain = {"customer": "invented", "machine": "m", "rack": "r", "carbs": 2}
    return new_job(session, NOW, **{**plain, **names})


@pytest.mark.parametrize("text", [*STEERING, "two\nlines", "x" * 501])
@pytest.mark.parametrize("field", ["customer", "machine", "rack"])
def test_names_that_steer_or_break_the_line_are_refused(records, field, text):
    with pytest.raises(InputError, match=f"^{field}: ") as refused, records.session() as session:
        job_with(session, **{field: text})
    assert "\n" not in str(refused.value)
    assert "\x1b" not in str(refused.value)


@pytest.mark.parametrize("text", [*STEERING, "n" * 10_000_000])
def test_notes_and_the_rest_refuse_the_same(records, tmp_path, text):
    (tmp_path / "a").write_text("x")
    with records.session() as session:
        job = job_with(session)
        for call in (
            lambda: add_note(job, NOW, text),
            lambda: add_note(job, NOW, "x", by=text),
            lambda: add_check(job, text),
            lambda: tick(job, 1, text, NOW),
            lambda: set_carb(job, 1, [f"notes={text}"], BY),
            lambda: set_carb(job, 1, [f"jet.main={text}"], BY),
            lambda: set_carb(job, 1, [f"jet.{text}=1"], BY),
            lambda: attach(job, records.files, NOW, tmp_path / "a", text),
        ):
            with pytest.raises(InputError):
                call()
        assert job.notes == []
        assert len(job.attachments) == 0


@pytest.mark.parametrize("text", [MARKUP, *SCRIPTS])
def test_markup_and_every_script_come_back_as_they_were(records, tmp_path, text):
    with records.session() as session:
        job = job_with(session, customer=text, machine=text, rack=text)
        add_note(job, NOW, f"{text}\n{text}")
        export_job(job, records.files, tmp_path / "out.zip")
        number = job.number
    with Records(tmp_path / "elsewhere") as other, other.session() as session:
        came = import_job(session, other.files, tmp_path / "out.zip", NOW)
        assert (came.number, came.customer, came.rack) == (number, text, text)
        assert came.notes[0].text == f"{text}\n{text}"
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        page = archive.read("index.html").decode()
    assert "<script" not in page
    read = Page()
    read.feed(page)
    assert text in read.text


def test_what_came_into_the_database_otherwise_is_shown_inert(tmp_path):
    desk = Desk(tmp_path / "data")
    number = desk("job", "new", "--customer", "invented").out.strip()
    with Records(desk.folder) as records, records.session() as session:
        job = find_job(session, number)
        job.customer = "evil\x1b[31m\u202e"
        job.notes.append(Note(at=NOW, carb=None, text="bell\x07\x1b]0;title\x07"))
        export_job(job, records.files, tmp_path / "out")
    shown = desk("job", "show", number).out + desk("job", "list").out
    page = (tmp_path / "out" / "index.html").read_text()
    for text in (shown, page):
        assert "‹U+001B›" in text
        assert not {"\x1b", "\x07", "\u202e"} & set(text)
    assert inert("a\nb") == "a‹U+000A›b"


def test_a_file_is_a_picture_by_what_it_holds(records, tmp_path):
    files = {
        "fake.png": b"<svg onload=alert(1)>",
        "real.dat": b"\x89PNG\r\n\x1a\n invented",
        "page.html": b"<script>alert(1)</script>",
        "drawing.svg": b"<svg onload='alert(1)'/>",
        "a \u202egnp\n<b>.exe": b"MZ",
    }
    with records.session() as session:
        job = job_with(session)
        for name, content in files.items():
            (tmp_path / name).write_bytes(content)
            attach(job, records.files, NOW, tmp_path / name)
        names = export_job(job, records.files, tmp_path / "out")
    page = (tmp_path / "out" / "index.html").read_text()
    assert page.count("<img") == 1
    assert 'real.dat" alt=' in page
    assert page.count(" download>") == 4  # all but the picture are kept, not run
    assert "\u202e" not in page
    assert all(".." not in name and name.isascii() for name in names)


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("../../etc/page.db", "page.db"), ("C:\\\\temp\\\\x.jpg", "x.jpg"), ("..", "file"),
        ("a\r\nSet-Cookie: x.jpg", "a Set-Cookie: x.jpg"), ("a\u2028b", "a b"), ("", "file"),
        ("a\u202egnp.exe", "a‹U+202E›gnp.exe"), ("a\x00\x1b[2J", "a‹U+0000›‹U+001B›[2J"),
        ("x" * 300 + ".jpg", "x" * 196 + ".jpg"), ("مكربن.jpg", "مكربن.jpg"), ("/", "file"),
    ],
)  # fmt: skip
def test_a_file_is_kept_under_a_name_that_is_only_one(records, tmp_path, given, kept):
    """By whatever way it comes: the last is what an import does."""
    with records.session() as session:
        job = job_with(session)
        made = attach_stream(job, records.files, NOW, io.BytesIO(b"x"), given)
        assert made.name == kept
        made.name = given
        assert made.name == kept


def test_formulas_in_tables_are_text(records, tmp_path):
    readings = [{"=HYPERLINK(1)": "=cmd|' /C calc'!A0", "g": -1.5, "note": "@x", "n": "+1"}]
    with records.session() as session:
        job = job_with(session)
        add_result(session, job, NOW, kind="drain", summary="s", data={"readings": readings})
        export_job(job, records.files, tmp_path / "out")
    text = (tmp_path / "out" / "results" / "001-drain.csv").read_text()
    (head, row) = csv.reader(io.StringIO(text))
    assert head == ["'=HYPERLINK(1)", "g", "note", "n"]
    assert row == ["'=cmd|' /C calc'!A0", "-1.5", "'@x", "'+1"]


def exported(records, tmp_path):
    with records.session() as session:
        job = job_with(session)
        add_note(job, NOW, "x")
        add_result(session, job, NOW, kind="k", summary="s", data={"a": 1})
        export_job(job, records.files, tmp_path / "out")
    return tmp_path / "out"


@pytest.mark.parametrize(
    "change",
    [
        lambda job: job.update(customer="a\x1b[2J"),
        lambda job: job["notes"][0].update(text="a\u202eb"),
        lambda job: job["notes"][0].update(text="n" * 10_000_000),
        lambda job: job["results"][0].update(data={"a": float("inf")}),
        lambda job: job["results"][0].update(data={"a": "\x00"}),
        lambda job: job.update(checklist=[job["checklist"][0]] * 2000),
        lambda job: job.update(number="2026-0001\n../x"),
    ],
)
def test_an_export_made_up_by_hand_is_refused_in_one_line(records, tmp_path, change):
    folder = exported(records, tmp_path)
    job = json.loads((folder / "job.json").read_text())
    change(job)
    (folder / "job.json").write_text(json.dumps(job))
    resum(folder)
    with Records(tmp_path / "new") as other:
        with pytest.raises(InputError) as refused, other.session() as session:
            import_job(session, other.files, folder, NOW)
        assert len(str(refused.value)) < 300
        assert "\n" not in str(refused.value)


def test_a_zip_bomb_is_not_unpacked(tmp_path):
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("files/zeros", b"\0" * 50_000_000)
        archive.writestr("SHA256SUMS", "")
    assert (tmp_path / "bomb.zip").stat().st_size < 100_000
    with Records(tmp_path / "new") as other:
        with pytest.raises(InputError, match="far more than it holds"), other.session() as session:
            import_job(session, other.files, tmp_path / "bomb.zip", NOW)
        assert not other.files.folder.exists()


@pytest.mark.parametrize("suffix", ["", ".zip"])
def test_an_import_that_the_disk_has_no_room_for_keeps_nothing(
    records, tmp_path, monkeypatch, suffix
):
    """Zeros within the zip's own limits; two equal files take their room once."""
    zeros, other = tmp_path / "zeros", tmp_path / "other"
    zeros.write_bytes(bytes(900_000))
    other.write_bytes(b"invented")
    with records.session() as session:
        job = job_with(session)
        for path in (other, zeros, zeros):
            attach(job, records.files, NOW, path)
        export_job(job, records.files, tmp_path / f"out{suffix}")
    usage = shutil.disk_usage(tmp_path)
    tight = RESERVE_BYTES + 220 * 4096
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=tight))
    with Records(tmp_path / "new") as other:
        with (
            pytest.raises(InputError, match=r"job 2026-\d+: unpacks to") as refused,
            other.session() as session,
        ):
            import_job(session, other.files, tmp_path / f"out{suffix}", NOW)
        assert "nothing was written" in str(refused.value)
        assert not other.files.folder.exists()
        tight += 4096
        with other.session() as session:
            assert len(import_job(session, other.files, tmp_path / f"out{suffix}", NOW).attachments)


def test_deeply_nested_json_is_refused(records, tmp_path):
    folder = exported(records, tmp_path)
    text = (folder / "job.json").read_text()
    (folder / "job.json").write_text(text.replace('"a": 1', '"a": ' + "[" * 5000 + "]" * 5000))
    resum(folder)
    with (
        Records(tmp_path / "new") as other,
        pytest.raises(InputError, match=r"job\.json"),
        other.session() as session,
    ):
        import_job(session, other.files, folder, NOW)


def test_whatever_is_changed_in_an_exported_job_is_told_in_one_line(records, tmp_path):
    """Or comes in, where the change does not matter."""
    with records.session() as session:
        export_job(job_with(session), records.files, tmp_path / "out.zip")
    whole = (tmp_path / "out.zip").read_bytes()
    chance = random.Random(1)
    with Records(tmp_path / "elsewhere") as other:
        for _ in range(400):
            changed = bytearray(whole)
            for _ in range(chance.randint(1, 4)):
                # Half of them in the list at the end.
                place = chance.choice((chance.randrange(len(whole)), -chance.randrange(1, 700)))
                changed[place] = chance.randrange(256)
            (tmp_path / "changed.zip").write_bytes(changed)
            try:
                with other.session() as session:
                    import_job(session, other.files, tmp_path / "changed.zip", NOW, as_new=True)
            except InputError as error:
                assert len(str(error).splitlines()) == 1  # noqa: PT017 - it may come in as well
