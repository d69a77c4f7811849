"""The printed report: read back and rendered by a PDF library that did not write it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pypdfium2
import pytest

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.bench_toml import example_toml
from soakmon.cautions import CAUTIONS
from soakmon.records.priors import Shift
from soakmon.report.content import About
from soakmon.report.files import write_report
from soakmon.watch.decide import decide
from soakmon.watch.decision import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Alarm, Cause, Outcome

Night = tuple[Rows, Decision]

MADE = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
MM_PER_PT = 25.4 / 72
ABOUT = About(
    Settings(),
    MADE,
    "2026-0001",
    "Frau Süß-Łukasz (invented)",
    "four-cylinder 750 (invented)",
    "four, rubber rail",
    "2026-02-20, in force until 2026-08-21",
    example_toml(),
    {4: Shift({Cause.BOWL_JOINT_WEEP: 2.0}, ("the gasket fought back",))},
    True,
)


@pytest.fixture(scope="module")
def night() -> Night:
    recording = simulate(SCENARIOS["gasket-weep"], hours=10, interval_s=10)
    return recording.rows, decide(recording.rows, Settings())


class Printed:
    """Pages as text and as pictures."""

    def __init__(self, path):
        document = pypdfium2.PdfDocument(path)
        self.sizes_mm = [tuple(MM_PER_PT * s for s in page.get_size()) for page in document]
        self.pages = [page.get_textpage().get_text_range() for page in document]
        self.pictures = [page.render(scale=1.0).to_numpy() for page in document]
        self.metadata = document.get_metadata_dict()
        document.close()

    @property
    def text(self):
        return " ".join(" ".join(self.pages).split())


def printed(folder, night: Night, title="invented night", about=ABOUT, paper="a4"):
    write_report(folder, *night, title, about, paper=paper)
    return Printed(folder / "report.pdf")


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_the_first_page_tells_a_customer(tmp_path, night, paper, size):
    report = printed(tmp_path, night, paper=paper)
    assert all(s == pytest.approx(size, abs=0.2) for s in report.sizes_mm)
    first = " ".join(report.pages[0].split())
    verdict = night[1].verdict
    for word in (
        "LEAKING", "Fuel is leaking at carb 4", ABOUT.customer, "2026-0001", "2026-03-01",
        "bowl gasket or drain plug weeping", "pump petrol", "°C", "watched for", "invented",
        f"carb 4: {verdict.drops[3]}", "WEEP", "page 1 of",
    ):  # fmt: skip
        assert word in first, word
    assert report.pages[1].lstrip().startswith("Details")
    assert report.metadata["Title"] == "invented night"


def test_the_details_are_all_there(tmp_path, night):
    report = printed(tmp_path, night)
    for word in (
        "95 %", "Smallest leak this run could prove", "False-alarm budget", "Weep by mass 0.06 %",
        "Expected loss by part", "Hose wall", "Phases", "soaking", "Alarms", "carb 4 weeps",
        "Disturbances, and how they were treated", "Calibration in force", "2026-08-21",
        "capacity_ml = 600.0", "soakmon 0.", "the gasket fought back", "× 2", "readings.csv",
    ):  # fmt: skip
        assert word in report.text, word
    for caution in CAUTIONS:
        assert caution in report.text
    assert len(re.findall(r"\b[0-9a-f]{64}\b", report.text)) == 2


def test_html_and_pdf_say_the_same(tmp_path, night):
    report = printed(tmp_path, night)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    for word in ("Fuel is leaking at carb 4", "the gasket fought back", "Hose wall", "2026-08-21"):
        assert word in page
        assert word in report.text
    assert "<svg" in page


def test_the_same_input_gives_the_same_bytes(tmp_path, night):
    for name in ("a", "b"):
        printed(tmp_path / name, night)
    assert (tmp_path / "a/report.pdf").read_bytes() == (tmp_path / "b/report.pdf").read_bytes()
    other = replace(ABOUT, dated=datetime(2027, 1, 1, tzinfo=UTC))
    printed(tmp_path / "c", night, about=other)
    assert (tmp_path / "a/report.pdf").read_bytes() != (tmp_path / "c/report.pdf").read_bytes()


@pytest.mark.parametrize(
    "name",
    [
        "Łódź Ærø Παπαδόπουλος Иванов İstanbul ñ 12 ½ €",
        "x" * 5000,
        "W" * 300 + " " + "i" * 900,
        "line\nbreaks\tand\rcontrol\x07\x1b[31m",
        "漢字 تجربة 🏍 e\u0301 \u202e \ud7ff",
        "**bold** __u__ <b>&amp; {nb} $x^2$ \\",
        " " * 500,
    ],
)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_no_name_breaks_the_page(tmp_path, night, name, paper):
    about = replace(ABOUT, customer=name, machine=name, rack=name, job=name[:20])
    report = printed(tmp_path, night, name, about, paper)
    assert report.pages[1].lstrip().startswith("Details"), "the first page ran over"
    for picture in report.pictures:
        edge = 28  # 10 mm at 72 dpi
        inner = np.array(picture)
        inner[edge:-edge, edge:-edge] = 255
        blank = bool((inner == 255).all())
        assert blank, "something is printed into the margin"


def test_letters_are_kept_and_lacking_ones_are_told(tmp_path, night):
    about = replace(ABOUT, customer="Łódź Παπ 漢 {nb} **x**")
    assert "Łódź Παπ ‹U+6F22› {nb} **x**" in printed(tmp_path, night, about=about).text


def test_right_to_left_names_are_in_order_and_kept(tmp_path, night):
    """As a PDF library reads them back, which begins at the right where the letters do."""
    about = replace(ABOUT, customer="أحمد بن علي", machine="דוד לוי", rack="twin דוד 28 mm")
    report = printed(tmp_path, night, "ورشة الخليج", about)
    for word in ("أحمد بن علي", "דוד לוי", "twin", "דוד", "28 mm", "ورشة", "الخليج"):
        assert word in report.text, word
    assert "‹U+" not in report.text


def _ink(path, letter):
    """The columns of the first page's longest row of a letter: whether any of it is printed."""
    document = pypdfium2.PdfDocument(path)
    page = document[0]
    words = page.get_textpage()
    text = words.get_text_range()
    boxes = [words.get_charbox(i) for i, found in enumerate(text) if found == letter]
    left, bottom = min(b[0] for b in boxes), min(b[1] for b in boxes)
    right, top = max(b[2] for b in boxes), max(b[3] for b in boxes)
    picture = page.render(scale=4.0, grayscale=True).to_numpy().squeeze()
    high = page.get_height()
    rows = slice(int(4 * (high - top)), int(4 * (high - bottom)) + 1)
    inked = (picture[rows, int(4 * left) : int(4 * right) + 1] < 160).any(axis=0)
    document.close()
    where = np.flatnonzero(inked)
    return len(boxes), inked[where[0] : where[-1] + 1]


def test_arabic_letters_are_joined(tmp_path, night):
    printed(tmp_path / "a", night, about=replace(ABOUT, customer="ب" * 20))
    number, columns = _ink(tmp_path / "a/report.pdf", "ب")
    assert number == 20
    assert columns.all()
    # Where nothing joins, there is white between the letters.
    printed(tmp_path / "b", night, about=replace(ABOUT, customer="ب\u200c" * 20))
    number, columns = _ink(tmp_path / "b/report.pdf", "ب")
    assert number == 20
    assert not columns.all()


def test_a_right_to_left_text_over_pages_leaves_footers_and_files_as_they_are(tmp_path, night):
    note = "ملاحظة طويلة عن الكربراتور. " * 400
    toml = f'# ورشة الخليج\nname = "ورشة"  # name of it\n{example_toml()}'
    about = replace(ABOUT, remarks=(note,), bench_toml=toml)
    for name in ("a", "b"):
        report = printed(tmp_path / name, night, about=about)
    number = len(report.pages)
    assert number > 5
    for place, page in enumerate(report.pages, start=1):
        assert f"page {place} of {number}" in page
        assert "Soak report: invented night" in page
    assert "capacity_ml = 600.0 # brim to base" in report.text
    assert (tmp_path / "a/report.pdf").read_bytes() == (tmp_path / "b/report.pdf").read_bytes()


def test_every_outcome_and_size_of_rack_is_printed(tmp_path, night):
    rows, decision = night
    for outcome in Outcome:
        for gates in (0, 1, 8):
            drops = np.zeros((len(rows), gates))
            verdict = replace(decision.verdict, outcome=outcome, drops=(3,) * gates)
            geometry = replace(Settings().geometry, bowls=Settings().geometry.bowls[:1] * gates)
            about = replace(ABOUT, settings=replace(Settings(), geometry=geometry))
            changed = replace(rows, drops=drops), replace(decision, verdict=verdict)
            report = printed(tmp_path / f"{outcome}{gates}", changed, about=about)
            assert report.pages[0].count("drops\r\n") >= min(gates, 1)
            assert report.pages[1].lstrip().startswith("Details")


def test_many_alarms_run_over_pages_and_end(tmp_path, night):
    rows, decision = night
    alarms = tuple(Alarm(60.0 * i, "weep", 4, 0.1, f"alarm {i} " + "w" * 200) for i in range(500))
    verdict = replace(decision.verdict, alarms=alarms)
    report = printed(tmp_path, (rows, replace(decision, verdict=verdict)))
    assert "… and 440 more, in verdict.json" in report.text
    assert "alarm 59" in report.text
    assert len(report.pages) < 12


def test_nothing_but_readings_still_makes_a_report(tmp_path, night: Night):
    write_report(tmp_path, *night, "plain")
    report = Printed(tmp_path / "report.pdf")
    assert "LEAKING" in report.pages[0]
    assert "none on record" in report.text
    assert "False-alarm budget" not in report.text


def test_it_reads_in_grey(tmp_path, night):
    """Verdict, words and drawing above the curve use no colour at all."""
    report = printed(tmp_path, night)
    upper = report.pictures[0][: int(0.55 * report.pictures[0].shape[0])].astype(int)
    assert (np.ptp(upper[..., :3], axis=2) == 0).all()
    assert (upper[..., :3] < 64).any()
