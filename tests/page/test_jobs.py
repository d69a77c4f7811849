"""Jobs through the API: record, checklist, notes and files, and what must not get in or out."""

from __future__ import annotations

import io
import shutil
import zipfile
from types import SimpleNamespace

import pytest

from soakmon.cautions import CAUTIONS
from soakmon.page.callers import MOST_FILE_BYTES
from soakmon.page.store import Role
from soakmon.records.opening import now

JPEG = b"\xff\xd8\xff\xe0 an invented picture"
HTML = b"<!DOCTYPE html><script>alert(1)</script>"


@pytest.fixture
def runner(paged):
    client = paged.signed_in("run")
    body = {"customer": "Ünal & <b>Söhne</b>", "machine": "invented four", "rack": "28 mm"}
    assert client.post("/api/jobs", json=body | {"carbs": 3}).json() == {"number": number()}
    return client


def number() -> str:
    return f"{now().year}-0001"


def job(path: str = "") -> str:
    return f"/api/jobs/{number()}{path}"


def test_jobs_are_made_and_found(paged, runner):
    runner.post("/api/jobs", json={"customer": "Somebody else", "carbs": 4})
    assert [one["carb_count"] for one in runner.get("/api/jobs").json()] == [4, 3]
    for word in ("ünal", "FOUR", "28", number()):
        assert [one["number"] for one in runner.get("/api/jobs", params={"word": word}).json()] == [
            number()
        ]
    assert runner.get("/api/jobs", params={"word": "nobody"}).json() == []
    shown = paged.signed_in("look").get(job()).json()
    assert shown["customer"] == "Ünal & <b>Söhne</b>"
    assert [carb["place"] for carb in shown["carbs"]] == [1, 2, 3]
    assert runner.get("/api/jobs/1999-0001").status_code == 404
    assert runner.post("/api/jobs", json={"customer": " ", "carbs": 4}).status_code == 422
    assert runner.post("/api/jobs", json={"customer": "x", "carbs": 9}).status_code == 422


def test_a_change_of_one_field_leaves_the_others(runner):
    first = {"jets": {"main": "105"}, "float_height_mm": 14.2}
    assert runner.patch(job("/carbs/2"), json=first).status_code == 200
    changed = runner.patch(job("/carbs/2"), json={"bowl_gasket_renewed": False}).json()
    assert changed["float_height_mm"] == 14.2
    assert changed["bowl_gasket_renewed"] is False
    assert runner.patch(job("/carbs/2"), json={"float_height_mm": None}).status_code == 200
    carbs = runner.get(job()).json()["carbs"]
    assert carbs[1]["jets"] == {"main": "105"}
    assert carbs[1]["float_height_mm"] is None
    assert carbs[0]["jets"] == {}
    limits = {"float_height_low_mm": 15, "float_height_high_mm": 14}
    wrong = runner.patch(job("/carbs/2"), json=limits)
    assert wrong.status_code == 422
    assert "swap them" in wrong.json()["problem"]
    assert runner.patch(job("/carbs/2"), json={"colour": "red"}).status_code == 422
    assert runner.patch(job("/carbs/4"), json=first).status_code == 404


def test_the_checklist_says_who_and_when(paged, runner):
    assert runner.put(job("/checklist/3"), json={"done": True}).status_code == 200
    script = paged.script(Role.RUN)
    assert script.put(job("/checklist/4"), json={"done": True}).status_code == 200
    checks = runner.get(job()).json()["checklist"]
    assert [check["done_by"] for check in checks[1:5]] == [None, "run", "script", None]
    assert checks[2]["done_at"] is not None
    runner.put(job("/checklist/3"), json={"done": False})
    assert runner.post(job("/checklist"), json={"task": "rail bolted"}).status_code == 200
    checks = runner.get(job()).json()["checklist"]
    assert checks[2]["done_by"] is None
    assert checks[-1]["task"] == "rail bolted"
    assert runner.put(job("/checklist/99"), json={"done": True}).status_code == 404


def test_notes(paged, runner):
    assert runner.post(job("/notes"), json={"text": " reused <i>x</i> ", "carb": 2}).is_success
    assert runner.post(job("/notes"), json={"text": "all", "carb": None}).is_success
    assert runner.post(job("/notes"), json={"text": "x", "carb": 4}).status_code == 422
    notes = runner.get(job()).json()["notes"]
    assert [(note["carb"], note["text"]) for note in notes] == [
        (2, "reused <i>x</i>"),
        (None, "all"),
    ]
    # Whoever is signed in has written it, and nobody else can be named.
    assert paged.script(Role.RUN).post(job("/notes"), json={"text": "by a script"}).is_success
    forged = runner.post(job("/notes"), json={"text": "x", "written_by": "somebody"})
    assert forged.status_code == 422
    authors = [note["written_by"] for note in runner.get(job()).json()["notes"]]
    assert authors == ["run", "run", "script"]


def send(client, content, name="a.jpg", **more):
    return client.post(
        job("/files"),
        params={"name": name, **more},
        content=content,
        headers={"Content-Type": "application/octet-stream"},
    )


def test_a_picture_is_kept_and_shown(runner):
    sha256 = send(runner, JPEG, caption="bowl 2").json()["sha256"]
    (kept,) = runner.get(job()).json()["attachments"]
    assert (kept["sha256"], kept["name"], kept["caption"]) == (sha256, "a.jpg", "bowl 2")
    shown = runner.get(job(f"/files/{sha256}"))
    assert shown.content == JPEG
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["content-disposition"].startswith("inline")
    packed = zipfile.ZipFile(io.BytesIO(runner.get(job("/export.zip")).content))
    assert any(name.endswith("a.jpg") for name in packed.namelist())
    assert packed.testzip() is None


@pytest.mark.parametrize("name", ["page.png", "a.html", "x.svg", "../../page.db", 'a"\r\nX: y'])
def test_a_file_that_is_no_picture_is_only_saved(runner, paged, name):
    sha256 = send(runner, HTML, name).json()["sha256"]
    saved = runner.get(job(f"/files/{sha256}"))
    assert saved.headers["content-type"] == "application/octet-stream"
    assert saved.headers["content-disposition"].startswith("attachment")
    assert saved.headers["x-content-type-options"] == "nosniff"
    assert "sandbox" in saved.headers["content-security-policy"]
    assert "x" not in saved.headers
    # It lies under its hash, whatever it is called.
    files = [p for p in (paged.reports.folder / "attachments").rglob("*") if p.is_file()]
    assert [p.name for p in files] == [sha256]
    names = zipfile.ZipFile(io.BytesIO(runner.get(job("/export.zip")).content)).namelist()
    assert not any(".." in name or name.startswith("/") for name in names)


def test_a_caption_that_steers_is_refused_and_its_file_not_kept(runner, paged):
    answer = send(runner, JPEG, caption="a\x1b[2J")
    assert answer.status_code == 422
    assert "steers" in answer.json()["problem"]
    assert not [p for p in (paged.reports.folder / "attachments").rglob("*") if p.is_file()]


def test_files_of_another_job_are_not_this_ones(runner):
    sha256 = send(runner, JPEG).json()["sha256"]
    other = runner.post("/api/jobs", json={"customer": "other"}).json()["number"]
    assert runner.get(f"/api/jobs/{other}/files/{sha256}").status_code == 404
    assert runner.get(job(f"/files/{'0' * 64}")).status_code == 404
    assert runner.get(job(f"/files/{sha256.upper()}")).status_code == 422


def test_what_cannot_be_kept_is_refused(runner, monkeypatch):
    assert send(runner, b"").status_code == 422
    length = {"Content-Length": str(MOST_FILE_BYTES + 1)}
    assert runner.post(job("/files?name=a"), content=b"x", headers=length).status_code == 413
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=1_000_000))
    assert send(runner, JPEG).status_code == 409
    assert runner.get(job()).json()["attachments"] == []


def test_a_soak_starts_only_for_a_job_that_there_is(runner):
    start = {"title": "x", "job": "1999-0001", "confirmed": list(CAUTIONS)}
    refused = runner.post("/api/soak", json=start)
    assert refused.status_code == 409
    assert "no job 1999-0001" in refused.json()["problem"]
    other = runner.post("/api/soak", json=start | {"job": number()})
    assert other.status_code == 409
    assert "3 carburettors" in other.json()["problem"]  # the bench has four
    fits = runner.post("/api/jobs", json={"customer": "x", "carbs": 4}).json()["number"]
    assert runner.post("/api/soak", json=start | {"job": fits}).status_code == 200
    assert runner.get("/api/soaks").json()[0]["job"] == fits


def test_the_curve_of_an_ended_soak_outlives_the_service(paged, runner):
    runner.post("/api/soak", json={"title": "x", "confirmed": list(CAUTIONS)})
    assert runner.get("/api/soaks/1/curve").json() == {"t_s": []}
    assert runner.post("/api/end", json={"reason": "enough"}).status_code == 200
    paged.service.session = None  # as after a restart
    assert runner.get("/api/curve").json() == {"t_s": []}
    columns = {"t_s", "lanes"}  # no fuel has flowed yet
    assert set(runner.get("/api/soaks/1/curve").json()) == columns
