"""The report folder."""

from __future__ import annotations

import hashlib
from html.parser import HTMLParser

import numpy as np
import pytest

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.cautions import CAUTIONS
from soakmon.errors import InputError
from soakmon.physics.evaporating import fuel_of_air_c
from soakmon.physics.expectation import evaporation_rates, expected_loss
from soakmon.report.content import hose_share
from soakmon.report.files import write_report
from soakmon.watch.decide import decide
from soakmon.watch.decision import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings

Night = tuple[Rows, Decision]


@pytest.fixture(scope="module")
def night() -> Night:
    recording = simulate(SCENARIOS["two-leaks"], hours=8, interval_s=5)
    return recording.rows, decide(recording.rows, Settings())


class Page(HTMLParser):
    void = frozenset({"meta", "img", "br", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text = ""
        self.addresses: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.addresses += [v for k, v in attrs if k in {"src", "href"} and v]
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_the_page_stands_alone_and_says_it_all(tmp_path, night: Night):
    write_report(tmp_path / "deep" / "report", *night, "rack <b>& Söhne</b>")
    folder = tmp_path / "deep" / "report"
    page = Page()
    page.feed((folder / "report.html").read_text(encoding="utf-8"))
    assert not page.open
    assert all(address.startswith("data:") for address in page.addresses)
    assert "rack <b>& Söhne</b>" in page.text
    assert "LEAKING" in page.text
    for caution in CAUTIONS:
        assert caution in page.text
    assert hashlib.sha256((folder / "readings.csv").read_bytes()).hexdigest() in page.text


def test_what_warmth_breathes_out_is_the_bottles():
    """Of a shop that warms by 15 °C in a day; it is not spread over the hose."""
    t_s, settings = np.linspace(0.0, 86400.0, 289), Settings()
    warming_c = np.linspace(12.0, 27.0, len(t_s))
    parts = expected_loss(settings.geometry, settings.fuel, t_s, fuel_of_air_c(t_s, warming_c))
    hose, bottle = parts.hose_g[-1], parts.bottle_g[-1] + parts.breathing_g[-1]
    share = hose_share(t_s, warming_c, settings)
    assert share == pytest.approx(hose / (hose + bottle), rel=1e-9)
    rates = evaporation_rates(settings.geometry, settings.fuel, float(warming_c.mean()))
    assert share < float(rates.hose / (rates.hose + rates.bottle)) - 0.01
    assert hose_share(t_s, np.full(len(t_s), np.nan), settings) is None


def test_the_same_night_gives_the_same_bytes(tmp_path, night: Night):
    first = write_report(tmp_path / "a", *night, "night")
    again = write_report(tmp_path / "b", *night, "night")
    for one, other in zip(first, again, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_nothing_is_left_behind_when_writing_fails(tmp_path, night: Night):
    (tmp_path / "taken").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_report(tmp_path / "taken", *night, "night")
    assert [file.name for file in tmp_path.iterdir()] == ["taken"]


def test_a_run_without_gates_is_drawn(tmp_path):
    rows = simulate(SCENARIOS["bench-hose-leak"], hours=3, interval_s=10).rows
    rows = type(rows)(rows.t_s, rows.mass_g, rows.air_c, rows.drops[:, :0])
    files = write_report(tmp_path / "r", rows, decide(rows, Settings()), "no gates")
    assert all(file.stat().st_size > 0 for file in files)
