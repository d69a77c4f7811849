"""bench.toml by versions, flows, the record, what a cell can find, and the whole dialogue."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.find import find_cell, find_thermometers
from soakmon.app.due_of_bench import due_of
from soakmon.app.keep_results import keep_judged
from soakmon.bench_toml import read_bench
from soakmon.commission.bench_file import values_of, write_bench
from soakmon.commission.due import Last, due, gate_dirty
from soakmon.commission.flow import FlowRates, falls_g_per_min
from soakmon.commission.record import CommissionStep, page, summary
from soakmon.commission.smallest import smallest_g_per_day
from soakmon.config import Bench
from soakmon.errors import InputError, TroubleError
from soakmon.records.journal import Journal, SoakEntry
from soakmon.records.verdict_form import VerdictForm
from soakmon.weigh.result import BenchTestResult

NOON = datetime(2026, 3, 12, 12, 0, 0, tzinfo=UTC)


def test_bench_toml_keeps_what_it_said_and_every_version_of_it(tmp_path):
    path = tmp_path / "bench.toml"
    write_bench(path, {"rack.carbs": 2, "gates.pins": [17, 27]}, NOON)
    path.chmod(0o640)
    write_bench(path, {"cell.driver": "i2c"}, NOON)
    bench = read_bench(path)
    assert (bench.rack.carbs, bench.gates.pins, bench.cell.driver) == (2, (17, 27), "i2c")
    assert path.stat().st_mode & 0o777 == 0o640
    (kept,) = (tmp_path / "earlier").iterdir()
    assert values_of(kept)["cell.driver"] == "iio"
    assert kept.stat().st_mode & 0o777 == 0o640
    write_bench(path, {}, NOON)  # nothing new: no version more
    assert len(list((tmp_path / "earlier").iterdir())) == 1


def test_what_is_no_bench_is_refused_before_anything_is_written(tmp_path):
    path = tmp_path / "bench.toml"
    write_bench(path, {}, NOON)
    before = path.read_text()
    with pytest.raises(InputError, match=r"rack\.carbs"):
        write_bench(path, {"rack.carbs": 99}, NOON)
    assert path.read_text() == before
    assert not (tmp_path / "earlier").exists()


@given(
    flow_g_per_min=st.floats(0, 100),
    wild=st.lists(st.tuples(st.integers(0, 99), st.floats(-2000, 2000)), max_size=10),
)
def test_wild_readings_make_no_flow_and_hide_none(flow_g_per_min, wild):
    """A cell's single readings may be off by grams to kilograms."""
    times_s = [0.2 * place for place in range(100)]
    masses_g = [400 - flow_g_per_min * t_s / 60 for t_s in times_s]
    for place, off_g in wild:
        masses_g[place] += off_g
    assert falls_g_per_min(times_s, masses_g) == pytest.approx(flow_g_per_min, abs=0.5)


@pytest.mark.parametrize(
    ("flow", "shuts", "word"),
    [
        (FlowRates(20.0, 0.2), True, "after"),
        (FlowRates(20.0, 1.9), True, "after"),
        (FlowRates(20.0, 3.0), False, "DOES NOT SHUT"),
        (FlowRates(2.0, 0.0), False, "too little flowed"),
        (FlowRates(30.0, 0.5), True, "it shuts"),
        (FlowRates(30.0, 15.0), False, "DOES NOT SHUT"),
    ],
)
def test_a_flow_that_goes_on_is_told_from_one_that_stops(flow, shuts, word):
    assert flow.shuts is shuts
    assert word in flow.text()


def test_the_record_is_one_page_of_all_steps():
    steps = [
        CommissionStep("load cell", True, "HX711 <on> SPI"),
        CommissionStep("valve", None, "not tried"),
    ]
    all_steps = [*steps, CommissionStep("gates", False, "gate 2")]
    text = page("bench", all_steps, NOON, "soakmon 0.1, bench.toml")
    HTMLParser().feed(text)
    assert "HX711 &lt;on&gt; SPI" in text
    assert text.count("<tr>") == 4
    assert summary(steps) == "all that was tried is good; left out: valve"
    german = page("bench", all_steps, NOON, "soakmon 0.1, bench.toml", language="de")
    for words in ('lang="de"', "Inbetriebnahme von bench", "<strong>NICHT GUT</strong>",
                  "NICHT GUT: gates; ausgelassen: valve", "Benzindampf brennt"):  # fmt: skip
        assert words in german, words
    assert "NOT GOOD: gates" in summary([*steps, CommissionStep("gates", False, "")])


def test_a_cell_that_wanders_finds_less_and_noise_counts_little():
    settings = Bench().settings()
    quiet = smallest_g_per_day(settings, 0.02, 0.02, air_c=20.0)
    wanders = smallest_g_per_day(settings, 0.02, 0.5, air_c=20.0)
    noisy = smallest_g_per_day(settings, 0.3, 0.02, air_c=20.0)
    assert 1 < quiet < 10
    assert wanders > 1.5 * quiet
    assert quiet <= noisy < 1.05 * quiet


def no_pins():
    raise TroubleError("GPIO pins: lgpio finds no pins")


def test_the_converter_that_reads_is_found_and_the_others_say_why(tmp_path):
    silent = tmp_path / "sys/bus/iio/devices/iio:device0"
    reads = tmp_path / "sys/bus/iio/devices/iio:device1"
    for folder in (silent, reads):
        folder.mkdir(parents=True)
        (folder / "name").write_text("hx711\n")
        (folder / "in_voltage0_raw").write_text("nonsense\n")
    found, missed = find_cell(no_pins, tmp_path, seconds=0.2)
    assert found is None
    assert [way.why for way in missed][-1] == "GPIO pins: lgpio finds no pins"
    assert "does not hold a count" in missed[0].why
    (reads / "in_voltage0_raw").write_text(f"{123456 ^ 0x800000}\n")
    found, missed = find_cell(no_pins, tmp_path, seconds=0.2)
    assert found.keys == {
        "cell.driver": "iio",
        "cell.iio_path": "/sys/bus/iio/devices/iio:device1/in_voltage0_raw",
    }
    assert len(missed) == 1


def test_thermometers_are_told_from_other_things_on_the_bus(tmp_path):
    for name in ("28-0123", "w1_bus_master1", "10-99", "05-77"):
        (tmp_path / "sys/bus/w1/devices" / name).mkdir(parents=True)
    assert find_thermometers(tmp_path) == ["10-99", "28-0123"]


def last(day, passed=True, **data):
    return Last(day, passed, data)


def test_what_is_due_is_told_and_nothing_else():
    today = date(2026, 3, 12)
    fresh = {
        "calibration": last(today, expires="2026-09-01"),
        "daily_check": last(today),
        "straw": last(today),
        "drip": last(today),
        "commissioning": last(today),
    }
    assert due(fresh, today) == []
    assert [name for name, _ in due({}, today)] == [
        "calibration", "daily mass", "gates", "known leak", "commissioning",
    ]  # fmt: skip
    late = today + timedelta(days=31)
    assert [name for name, _ in due(fresh, late)] == ["daily mass", "gates"]
    soon = fresh | {"calibration": last(today, expires="2026-03-20")}
    assert "expires on 2026-03-20" in dict(due(soon, today))["calibration"]
    over = fresh | {"calibration": last(today, expires="2026-03-12")}
    assert "expired" in dict(due(over, today))["calibration"]
    bad = fresh | {"straw": last(today, passed=False)}
    assert "was not good" in dict(due(bad, today))["gates"]


def test_a_gate_whose_dark_counts_rise_is_to_be_cleaned():
    assert gate_dirty([0.0, 0.1, 0.0, 0.5, 0.6, 0.7]).endswith("clean it")
    assert gate_dirty([0.0, 0.1, 0.0, 0.5, 0.6]) == ""
    assert gate_dirty([0.5, 0.6, 0.5, 0.5, 0.6, 0.7]) == ""
    assert gate_dirty([0.0] * 6) == ""


def test_a_bench_with_kept_results_and_soaks_is_due_for_the_rest(tmp_path):
    bench = Bench()
    assert len(due_of(tmp_path, bench, date(2026, 3, 12))) == 5
    keep_judged(tmp_path, BenchTestResult("straw", True, "good", ()), None, bench.service.name)
    named = dict(due_of(tmp_path, bench, date.today()))
    assert "gates" not in named
    journal = Journal(tmp_path / "journal.db")
    for number, drops in enumerate([0, 0, 0, 20, 20, 20]):
        entry = SoakEntry(0, "rack", None, float(number), 2, "", None, None)
        journal.start(entry)
        journal.finish(36000.0, VerdictForm(verdict="tight", drops=[0, drops]))
    journal.close()
    assert "gate 2" in dict(due_of(tmp_path, bench, date.today()))
