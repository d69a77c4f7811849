"""A report in another language, and how a soak is tied to the one before."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from matplotlib.text import Text

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.records.verdicts import as_written
from soakmon.report import figure, pdf
from soakmon.report.content import About, content
from soakmon.report.files import write_report
from soakmon.report.in_language import in_language
from soakmon.report.words import tied
from soakmon.texts import LANGUAGES, say, texts, translated
from soakmon.watch.decide import decide
from soakmon.watch.decision import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome

Night = tuple[Rows, Decision]

GASKET = say("renewed.bowl_gasket", carb=4)
NEEDLE = say("renewed.needle_seat", carb=2)
BEFORE = "2026-11-20: leaked about 8.4 g/day at carb 4"
CUSTOMER = "feed shut & Sons"  # as the bench would say it


@pytest.fixture(scope="module")
def night() -> Night:
    rows = simulate(SCENARIOS["drain-plug-weep"], hours=6, interval_s=10).rows
    return rows, decide(rows, Settings())


def about(**more) -> About:
    began = datetime(2026, 11, 27, 22, 10, tzinfo=UTC)
    return About(
        Settings(), began.replace(day=28, hour=4), customer=CUSTOMER, began=began, zone="CET",
        before=BEFORE, renewed=(NEEDLE, GASKET), renewed_before=(NEEDLE,), **more,
    )  # fmt: skip


def lines(said) -> list[str]:
    facts = [*said.summary, *(fact for section in said.details for fact in section.facts)]
    told = [text for section in said.details for text in (section.title, *section.lines)]
    return [
        said.heading,
        said.sentence,
        *said.steps,
        *told,
        *(part for one in facts for part in one),
    ]


def test_every_line_of_the_bench_is_said_in_german(night):
    said = content(night[0], as_written(night[1]), "rack", about(), {})
    german = in_language(said, "de")
    english_words = {"the", "and", "of", "with", "is", "leak", "feed", "carb", "soak", "bowl"}
    left = [
        line for line in lines(german)
        if line != CUSTOMER and english_words & set(line.lower().replace(",", " ").split())
    ]  # fmt: skip
    assert left == []
    assert german.heading == "UNDICHT"
    assert dict(german.summary)["Kunde"] == CUSTOMER
    assert (
        "Kammerdichtung an Vergaser 4; jetzt verlor etwa" in dict(german.summary)["Prüfung davor"]
    )
    assert in_language(said, "en") == said


def test_the_files_of_a_german_report(tmp_path, night: Night):
    write_report(tmp_path, *night, "rack & rail", about(language="de"))
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in page
    for words in ("<h1>Prüfbericht: rack &amp; rail</h1>", "Was als Nächstes zu tun ist",
                  "Einzelheiten", ">NÄSST<", "Benzindampf brennt und explodiert"):  # fmt: skip
        assert words in page, words
    # What machines read is the same in every language.
    assert '"verdict": "leaking"' in (tmp_path / "verdict.json").read_text(encoding="utf-8")


def test_every_word_of_the_picture_and_of_the_footer_is_german(tmp_path, night: Night, monkeypatch):
    """Names of ticks come from their formatter when the picture is written, not from its texts."""
    shown: set[str] = set()

    def keep(figure, path, dpi):
        figure.canvas.draw()
        shown.update(text.get_text() for text in figure.findobj(Text))

    monkeypatch.setattr(figure, "_write", keep)
    figure.draw(tmp_path / "soak.svg", *night, "", language="de")
    assert {"Vergaser 1", "Vergaser 4", "Prüfung", "Nässen, Vergaser 2", "Tropfen"} <= shown
    words = {word.strip(",.:()") for text in shown for word in text.lower().split()}
    assert words & {"carb", "drops", "soaking", "settling", "weep", "filling", "feed"} == set()
    pages = pdf._Pages("title", "a4", datetime(2026, 11, 27, tzinfo=UTC), "de")
    said = []
    monkeypatch.setattr(pages, "cell", lambda *told, **_: said.append(told[2]))
    pages.add_page()
    pages.footer()
    assert said[-1] == f"Seite 1 von {pdf._PAGES}"
    title = pages.words("pdf.soak_report", title="rehearsal of a night (invented data)")
    assert title.endswith("(erfundene Daten)")
    # Else the files of its fonts stay open.
    pages.output()


def test_no_step_of_the_first_page_is_cut_off(night):
    for language in LANGUAGES:
        for key, text in texts(language).items():
            if key.startswith("advice."):
                assert len(text) < 280, f"{key} in {language} is cut on the first page"


def test_a_soak_after_a_mend_is_tied_to_the_one_before(night):
    leaking = as_written(night[1]).verdict
    ruled_out = replace(leaking.leak_g_per_h, high=1.08 / 24)
    tight = replace(leaking, outcome=Outcome.TIGHT, leaks=(), leak_g_per_h=ruled_out)
    assert tied(BEFORE, (NEEDLE, GASKET), (NEEDLE,), tight) == (
        f"{BEFORE}; renewed since: bowl gasket of carb 4; now tight below 1.1 g/day"
    )
    assert tied(BEFORE, (NEEDLE,), (NEEDLE,), tight) == f"{BEFORE}; now tight below 1.1 g/day"
    assert tied("", (NEEDLE,), (), tight) == ""
    assert tied(BEFORE, (), (), leaking).endswith(" at carb 2")


def test_the_title_of_a_rehearsal_is_german():
    title = say("keep.invented", summary=say("runs.rehearsal", scenario="cold-night"))
    assert title == "rehearsal of cold-night (invented data)"
    assert translated(title, "de") == "Übung cold-night (erfundene Daten)"
