"""What is put right in a job leaves a line of who, when and what stood there before."""

from __future__ import annotations

import pytest

from soakmon.errors import InputError
from soakmon.records.jobs.correct import Author, correct_caption, correct_job, correct_note
from soakmon.records.jobs.export import job_dict
from soakmon.records.jobs.page import job_page
from soakmon.records.jobs.work import find_job, set_carb
from tests.records.jobs.conftest import INVENTED, NOW

BY = Author("D. Erfunden", NOW)


def lines(job) -> list[tuple[str, int | None, str, str, str]]:
    return [(c.part, c.place, c.field, c.before, c.after) for c in job.corrections]


def test_nothing_is_overwritten_silently(records, number):
    with records.session() as session:
        job = find_job(session, number)
        before = len(job.corrections)
        correct_job(job, {"customer": "Müller", "rack": job.rack}, BY)
        text = job.notes[1].text
        correct_note(job, 2, "rail joints greased twice", BY)
        correct_caption(job, 1, "after cleaning", BY)
        set_carb(job, 2, ["jet.main=110", "mixture_turns=1.5"], BY)
        # What had not been written down before is no correction.
        assert lines(job)[before:] == [
            ("job", None, "customer", INVENTED, "Müller"),
            ("note", 2, "text", text, "rail joints greased twice"),
            ("file", 1, "caption", "before <cleaning>", "after cleaning"),
            ("carb", 2, "jets", "main 105", "main 110"),
        ]
        assert {one.by_whom for one in job.corrections[before:]} == {"D. Erfunden"}
        page = job_page(job_dict(job))
    assert "D. Erfunden: note 2: “rail joints greased” is now “rail joints greased twice”" in page
    with records.session() as session:
        assert len(find_job(session, number).corrections) == before + 4


def test_what_cannot_be_put_right_is_told(records, number):
    with records.session() as session:
        job = find_job(session, number)
        with pytest.raises(InputError, match="no note 9"):
            correct_note(job, 9, "x", BY)
        with pytest.raises(InputError, match="empty"):
            correct_note(job, 1, "  ", BY)
        with pytest.raises(InputError, match="no file 0"):
            correct_caption(job, 0, "x", BY)
        with pytest.raises(InputError, match="customer, machine, rack"):
            correct_job(job, {"number": "2020-0001"}, BY)
        with pytest.raises(InputError, match="customer reference"):
            correct_job(job, {"customer": " "}, BY)
