"""A job goes out and comes in elsewhere; what was tampered with is refused."""

from __future__ import annotations

import hashlib
import json
import zipfile
from html.parser import HTMLParser

import pytest

from soakmon.errors import InputError
from soakmon.records.jobs.export import export_job, job_dict
from soakmon.records.jobs.importing import import_job
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import all_jobs, find_job, new_job
from tests.records.jobs.conftest import INVENTED, NOW


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text = ""
        self.addresses: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.addresses += [v for k, v in attrs if k in {"src", "href"} and v]

    def handle_data(self, data):
        self.text += data


@pytest.fixture
def folder(records, number, tmp_path):
    with records.session() as session:
        export_job(find_job(session, number), records.files, tmp_path / "out")
    return tmp_path / "out"


@pytest.fixture
def elsewhere(tmp_path):
    with Records(tmp_path / "elsewhere") as made:
        yield made


def resum(folder):
    """Write SHA256SUMS anew, as one who tampers would."""
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    lines = [
        f"{hashlib.sha256((folder / n).read_bytes()).hexdigest()}  {n}\n"
        for n in names
        if n != "SHA256SUMS"
    ]
    (folder / "SHA256SUMS").write_text("".join(lines))


def test_the_export_opens_without_soakmon(folder):
    page = Page()
    page.feed((folder / "index.html").read_text(encoding="utf-8"))
    for word in (
        INVENTED,
        "twin <750>",
        "four & rail",
        "fought back",
        "A. Erfunden",
        "before <cl",
        "UTC, B. <Invented>: carb 2: bowl",
        "UTC rail joints",
    ):
        assert word in page.text
    for address in page.addresses:
        assert (folder / address).is_file(), address
    assert json.loads((folder / "job.json").read_text())["schema"] == "soakmon.job/1"
    table = (folder / "results" / "001-drain.csv").read_text().splitlines()
    assert table == ["mass_g,reading,note", "100.0,100000.0,", "200.0,,ü"]


def test_the_sums_are_those_of_the_files(folder):
    lines = (folder / "SHA256SUMS").read_text().splitlines()
    assert len(lines) == len([p for p in folder.rglob("*") if p.is_file()]) - 1
    for line in lines:
        sha256, name = line.split("  ", 1)
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == sha256


@pytest.mark.parametrize("name", ["job.zip", "job"])
def test_a_job_comes_in_elsewhere_as_it_went_out(records, number, elsewhere, tmp_path, name):
    with records.session() as session:
        job = find_job(session, number)
        went = job_dict(job)
        export_job(job, records.files, tmp_path / name)
    with elsewhere.session() as session:
        import_job(session, elsewhere.files, tmp_path / name, NOW)
    with elsewhere.session() as session:
        came = find_job(session, number)
        assert job_dict(came) == went
        for one in came.attachments:
            elsewhere.files.check(one.sha256)
        assert new_job(
            session, NOW, customer="next", machine="", rack="", carbs=1
        ).number == "2026-0002"  # fmt: skip


def test_an_export_from_before_notes_had_authors_comes_in(folder, number, elsewhere):
    job = json.loads((folder / "job.json").read_text())
    assert [note.pop("written_by") for note in job["notes"]] == ["B. <Invented>", ""]
    (folder / "job.json").write_text(json.dumps(job))
    resum(folder)
    with elsewhere.session() as session:
        import_job(session, elsewhere.files, folder, NOW)
    with elsewhere.session() as session:
        assert [note.written_by for note in find_job(session, number).notes] == ["", ""]


def test_the_same_job_makes_the_same_zip(records, number, tmp_path):
    with records.session() as session:
        job = find_job(session, number)
        for name in ("a.zip", "b.zip"):
            export_job(job, records.files, tmp_path / name)
        with pytest.raises(InputError, match="exists already"):
            export_job(job, records.files, tmp_path / "a.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_a_number_that_is_taken_needs_a_new_one(records, number, folder):
    with pytest.raises(InputError, match="exists already; --as-new"), records.session() as session:
        import_job(session, records.files, folder, NOW)
    with records.session() as session:
        assert import_job(session, records.files, folder, NOW, as_new=True).number == "2026-0002"


def test_a_damaged_attachment_does_not_go_out(records, number, tmp_path):
    with records.session() as session:
        job = find_job(session, number)
        records.files.path(job.attachments[0].sha256).write_bytes(b"other")
        with pytest.raises(InputError, match="damaged"):
            export_job(job, records.files, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def _damage(folder):
    next((folder / "files").iterdir()).write_bytes(b"other")


def _other_attachment(folder):
    _damage(folder)
    resum(folder)


def _extra(folder):
    (folder / "extra.exe").write_text("x")


def _missing(folder):
    (folder / "index.html").unlink()


def _leaves(folder):
    text = json.loads((folder / "job.json").read_text())
    text["attachments"][0]["file"] = "../../secret"
    (folder / "job.json").write_text(json.dumps(text))
    resum(folder)


def _unknown_key(folder):
    text = json.loads((folder / "job.json").read_text())
    text["rm"] = "-rf"
    (folder / "job.json").write_text(json.dumps(text))
    resum(folder)


def _carb_twice(folder):
    text = json.loads((folder / "job.json").read_text())
    text["carbs"][1]["place"] = 1
    (folder / "job.json").write_text(json.dumps(text))
    resum(folder)


def _number_too_large(folder):
    text = json.loads((folder / "job.json").read_text())
    text["number"] = "2026-999999999"
    (folder / "job.json").write_text(json.dumps(text))
    resum(folder)


def _link(folder):
    (folder / "link").symlink_to("/etc/hostname")


def _sums_leave(folder):
    with (folder / "SHA256SUMS").open("a") as file:
        file.write("0" * 64 + "  ../../etc/hostname\n")


def _no_sums(folder):
    (folder / "SHA256SUMS").unlink()


@pytest.mark.parametrize(
    ("tamper", "says"),
    [
        (_damage, "is damaged"),
        (_other_attachment, "do not agree"),
        (_extra, "not listed"),
        (_missing, "listed in SHA256SUMS but missing"),
        (_leaves, "do not agree"),
        (_unknown_key, "job.json: rm"),
        (_carb_twice, "must count from 1"),
        (_number_too_large, "job.json: number"),
        (_link, "is a link"),
        (_sums_leave, "leaves the export"),
        (_no_sums, "SHA256SUMS is missing"),
    ],
)
def test_what_was_tampered_with_is_refused(folder, elsewhere, tamper, says):
    tamper(folder)
    with pytest.raises(InputError, match=says), elsewhere.session() as session:
        import_job(session, elsewhere.files, folder, NOW)
    with elsewhere.session() as session:
        assert all_jobs(session) == []


@pytest.mark.parametrize(
    "name", ["../evil", "/evil", "a/../../evil", "C:evil", "a\\..\\evil", "./a"]
)
def test_zip_names_that_leave_are_refused(elsewhere, tmp_path, name):
    path = tmp_path / "evil.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(name, "x")
    with pytest.raises(InputError, match="leaves the export"), elsewhere.session() as session:
        import_job(session, elsewhere.files, path, NOW)
    assert not (tmp_path / "evil").exists()


def test_a_link_in_a_zip_is_refused(elsewhere, tmp_path):
    path = tmp_path / "evil.zip"
    info = zipfile.ZipInfo("files/link")
    info.external_attr = 0o120777 << 16
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(info, "/etc/hostname")
    with pytest.raises(InputError, match="is a link"), elsewhere.session() as session:
        import_job(session, elsewhere.files, path, NOW)


def test_a_zip_that_is_cut_short_is_one_clear_line(records, number, elsewhere, tmp_path):
    with records.session() as session:
        export_job(find_job(session, number), records.files, tmp_path / "j.zip")
    whole = (tmp_path / "j.zip").read_bytes()
    (tmp_path / "j.zip").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="neither an exported job"), elsewhere.session() as session:
        import_job(session, elsewhere.files, tmp_path / "j.zip", NOW)
    with pytest.raises(InputError, match="cannot be read"), elsewhere.session() as session:
        import_job(session, elsewhere.files, tmp_path / "none.zip", NOW)
