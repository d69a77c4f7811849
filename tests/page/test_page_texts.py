"""The page's texts: where they live, that none is missing, and in which language they come."""

from __future__ import annotations

import re

from soakmon.cautions import CAUTIONS
from soakmon.config import Bench
from soakmon.page.forms import carb_inputs
from soakmon.page.text import page_texts
from soakmon.page.views import HERE as PAGE
from soakmon.records.jobs.fields import CarbFields
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Cause

TEXTS = page_texts("en")


def test_texts_live_in_one_module():
    """Views use keys that exist, and every key is used."""
    files = [p for p in PAGE.rglob("*") if p.suffix in {".js", ".html", ".py"}]
    source = "\n".join(p.read_text(encoding="utf-8") for p in files)
    used = set(re.findall(r"\bt\(\"(\w+)\"", source)) | set(re.findall(r"\bt\.(\w+) }}", source))
    assert used <= set(TEXTS)
    made = (
        "verdict_",
        "phase_",
        "mark_",
        "check_",
        "nav_",
        "role_",
        "soaks_",
        "loss_",
        "alarm_",
        "report_",
        "job_",
        "jobs_",
        "carb_",
        "option_",
        "cause_",
        "trial_",
        "benches_",
        "outlet_",
        "do_",
        "name_",
        "kind_",
        "section_",
        "thread_",
        "commission_",
        "stand_",
        "key_",
        "answer_",
        "unit_",
    )
    words = set(re.findall(r"\w+", source))
    own = [key for key in TEXTS if "." not in key]  # the others are sentences of the bench
    left = [key for key in own if key not in words and not key.startswith(made)]
    assert [key for key in left if not key.endswith("_title")] == []


def test_every_field_of_a_carburettor_has_its_input_and_words():
    inputs = carb_inputs()
    assert {one.kind for one in inputs} == {"jets", "number", "yesno", "choice", "text"}
    assert [one.name for one in inputs] == list(CarbFields.model_fields)
    for one in inputs:
        assert f"carb_{one.name}" in TEXTS
        assert all(f"option_{option}" in TEXTS for option in one.options)


def test_every_setting_has_its_name_in_words():
    settings = {
        f"key_{name}_{key}"
        for name, section in Bench.model_fields.items()
        for key in section.annotation.model_fields
    }
    assert len(settings) > 100
    assert {key for key in TEXTS if key.startswith("key_")} == settings


def test_texts_are_named_in_plain_sight():
    """Keys that scripts put together from parts: each part must lead to a text."""
    for cause in Cause:
        assert cause is Cause.NO_LEAK or f"cause_{cause.value}" in TEXTS
    for phase in Phase:
        assert f"phase_{phase.value}" in TEXTS
        assert phase is Phase.IDLE or f"mark_{phase.value}" in TEXTS
    for section in Bench.model_fields:
        assert f"section_{section}" in TEXTS


def test_the_browser_chooses_the_language_of_page_and_bench(paged):
    runner = paged.signed_in("run")
    german = {"Accept-Language": "de-AT,de;q=0.9"}
    shown = runner.get("/start", headers=german)
    assert '<html lang="de"' in shown.text
    assert shown.headers["vary"] == "Accept-Language"
    assert "Benzindampf brennt" in shown.text
    # What is confirmed is what the bench itself says.
    assert f'value="{CAUTIONS[1]}"' in shown.text
    refused = runner.post("/api/end", json={"reason": "x"}, headers=german)
    assert (refused.status_code, refused.json()["problem"]) == (409, "es läuft keine Prüfung")
    assert refused.headers["content-language"] == "de"
    assert runner.post("/api/end", json={"reason": "x"}).json()["problem"] == "no soak is running"
    checks = {one["name"] for one in runner.get("/api/bench", headers=german).json()["checks"]}
    assert "Journal" in checks
    # What people wrote is not the bench's to translate.
    job = runner.post("/api/jobs", json={"customer": "load cell", "machine": "fuel"}).json()[
        "number"
    ]
    runner.post(f"/api/jobs/{job}/notes", json={"text": "the note is empty"})
    found = runner.get(f"/api/jobs/{job}", headers=german).json()
    assert (found["customer"], found["notes"][0]["text"]) == ("load cell", "the note is empty")
    assert found["checklist"][9]["task"].startswith("Drosselklappen")
