"""bench.toml: the example holds every key, and problems are told by their path."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from soakmon.bench_toml import example_toml, parse_bench, read_bench
from soakmon.config import PRIVATE, Bench
from soakmon.errors import InputError
from soakmon.records.priors import read_table
from soakmon.watch.settings import Settings


def test_the_example_is_the_default_bench():
    assert parse_bench(example_toml()) == Bench()
    assert Bench().settings() == Settings()


def test_every_key_is_in_the_example_and_explained():
    text = example_toml()
    for section in Bench.model_fields.values():
        for key in section.annotation.model_fields:
            assert re.search(rf"^(# )?{key} = .*# \w", text, re.MULTILINE), key


def test_every_number_carries_its_unit():
    unitless = {
        "carbs", "name", "false_alarm", "blank_scale", "storm_drops", "g_per_count", "catch_up",
    }  # fmt: skip
    units = r"_(ml|mm|mm2|c|g|kpa|s|h|ms|min|counts|over|per_(s|h|c|day|min|m2_day|m|m3)|rel_sd)$"
    for section in Bench.model_fields.values():
        for key in section.annotation.model_fields:
            kind = section.annotation.model_fields[key].annotation
            if kind in {float, float | None}:
                assert key in unitless or re.search(units, key), key


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[bottle]\nfill = 3", "b.toml: bottle.fill: unknown key: did you mean fill_ml?"),
        ("[botle]", "b.toml: botle: unknown key: did you mean bottle?"),
        ("[rack]\nhead_mm = -1", "b.toml: rack.head_mm: input should be greater than 0 (got -1)"),
        ("[rack]\ncarbs = 9", "rack.carbs: input should be less than or equal to 8 (got 9)"),
        ("[rack]\ncarbs = 'four'", "rack.carbs: input should be a valid integer"),
        ("[bottle]\nfill_ml = 900", "bottle: fill_ml is more than capacity_ml"),
        ("[bottle]\nfill_ml = 100", "bottle.fill_ml is 100 but the bowls alone take 160 ml"),
        ("[fuel]\nname = 'jet'", "fuel.name: input should be"),
        ("[fuel]\nname = 'custom'", "a custom fuel needs rvp_kpa"),
        ("[fuel]\nrvp_kpa = 60", 'set name = "custom"'),
        ("[soak]\nfalse_alarm = 0.5", "soak.false_alarm: input should be less than"),
        ("rack = 3", "rack: input should be a valid dictionary"),
        ("[rack", "is not TOML"),
        ("[hose]\nbore_mm = nan", "hose.bore_mm"),
    ],
)
def test_problems_are_told_by_path(text, says):
    with pytest.raises(InputError) as problem:
        parse_bench(text, "b.toml")
    assert says in str(problem.value)


def test_each_problem_has_its_line():
    with pytest.raises(InputError) as problem:
        parse_bench("[rack]\nhead_mm = -1\nlip = 2\n", "b.toml")
    assert len(str(problem.value).splitlines()) == 2


def test_a_custom_fuel():
    bench = parse_bench(
        "[fuel]\nname = 'custom'\nrvp_kpa = 50\ndensity_15c_kg_per_m3 = 730\n"
        "surface_tension_20c_n_per_m = 0.021\n"
    )
    assert bench.settings().fuel.rvp_kpa == 50


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_bench(tmp_path / "none.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        read_bench(tmp_path / "b.toml")


HOSTILE = {
    "arrays": "a = " + "[" * 20_000 + "]" * 20_000,
    "tables": "a = " + "{b = " * 20_000,
    "digits": "a = " + "9" * 50_000,
    "a known number": "[rack]\nhead_mm = " + "9" * 50_000,
    "hexadecimal": "[rack]\nhead_mm = 0x" + "f" * 50_000,
    "a count": "[rack]\ncarbs = 0x" + "f" * 50_000,
    "infinite": "[rack]\nhead_mm = 1e999999",
    "a long word": "[fuel]\nname = '" + "x" * 100_000 + "'",
    "a long key": "x" * 100_000 + " = 1",
    "a long name": "a." * 20_000 + "b = 1",
    "unknown keys": "".join(f"k{i} = 1\n" for i in range(200_000)),
    "a few thousand": "".join(f"k{i} = 1\n" for i in range(15_000)),
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_what_no_person_wrote_is_told_briefly(text):
    with pytest.raises(InputError) as problem:
        parse_bench(text, "b.toml")
    lines = str(problem.value).splitlines()
    assert len(lines) <= 11
    assert all(line.startswith("b.toml: ") and len(line) < 700 for line in lines)


@pytest.mark.parametrize("text", [HOSTILE[name] for name in ("arrays", "digits", "unknown keys")])
def test_nor_does_a_table_of_priors_end_in_a_traceback(tmp_path, text):
    (tmp_path / "priors.toml").write_text(text)
    with pytest.raises(InputError) as problem:
        read_table(tmp_path)
    assert len(str(problem.value).splitlines()) == 1
    assert len(str(problem.value)) < 300


def test_a_file_without_end_is_not_read_to_it():
    with pytest.raises(InputError, match="larger than 200 kB"):
        read_bench(Path("/dev/zero"))


def test_each_section_is_either_private_or_for_the_report():
    """A section that somebody adds must be decided upon here before a customer reads it."""
    shown = {
        "bottle", "hose", "rack", "fuel", "soak", "priors", "cell", "gates", "thermometer",
        "valve", "panel", "vapour", "guard", "service",
    }  # fmt: skip
    assert set(Bench.model_fields) - PRIVATE == shown


def test_an_address_with_its_password_is_not_shown_when_it_is_wrong():
    for text in (
        "[influx]\nurl = 'http://me:hunter2@db'", "mqtt.prefix = 'hunter2 '",
        "[lookout]\nbenches = ['Hunter2 hunter2']", "phone = 'hunter2'",
    ):  # fmt: skip
        with pytest.raises(InputError) as problem:
            parse_bench(text)
        assert "hunter2" not in str(problem.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[vapour]\nfitted = true\npin = 24", "valve.pin and vapour.pin name the same GPIO 24"),
        (
            "[gates]\npins = [17, 27, 22, 16]",
            "gates.pins and panel.button_pin name the same GPIO 16",
        ),
        (
            "[cell]\ndriver = 'hx711_pins'\nclock_pin = 5",
            "cell.data_pin and cell.clock_pin name the same",
        ),
    ],
)
def test_a_pin_named_twice_is_refused_before_it_looks_held(text, said):
    with pytest.raises(InputError, match=said):
        parse_bench(text)
    assert parse_bench("[vapour]\npin = 24").valve.pin == 24


def test_a_hose_is_expected_to_let_through_what_such_hoses_do():
    """Ethanol by NONROAD's factors; a low-permeation rating is on fuel with ethanol already."""
    plain = parse_bench("[hose]\nkind = 'ordinary'\n[fuel]\nethanol = 'e0'\n").settings()
    e10 = parse_bench("[hose]\nkind = 'ordinary'\n[fuel]\nethanol = 'e10'\n").settings()
    low = parse_bench("[hose]\nkind = 'low_permeation'\n[fuel]\nethanol = 'e10'\n").settings()
    rated = parse_bench("[hose]\npermeation_g_per_m2_day = 40.0\n").settings()
    assert plain.geometry.hose.permeation_g_per_m2_day == 300
    assert e10.geometry.hose.permeation_g_per_m2_day == pytest.approx(300 * 1.82)
    assert low.geometry.hose.permeation_g_per_m2_day == 6
    assert rated.geometry.hose.permeation_g_per_m2_day == 40
    assert plain.priors.hose_rel_sd == 0.6
    assert e10.priors.hose_rel_sd == pytest.approx(0.618, abs=1e-3)
    assert plain.priors.low_hose == 0.0 < Settings().priors.low_hose


def test_what_is_known_narrows_the_beliefs():
    told = parse_bench("[rack]\nvents = 'measured'\n[fuel]\nage = 'fresh'\n").settings().priors
    untold = Settings().priors
    assert told.bowls_rel_sd < untold.bowls_rel_sd
    assert told.vapour_rel_sd < untold.vapour_rel_sd
    assert told.doubt < untold.doubt
    own = parse_bench("[priors]\nbowls_rel_sd = 0.2\n").settings().priors
    assert own.bowls_rel_sd == 0.2


def test_what_earlier_versions_wrote_by_themselves_says_nothing():
    written = (
        "[hose]\npermeation_g_per_m2_day = 122.0\n"
        "[priors]\nbottle_rel_sd = 0.15\nhose_rel_sd = 0.25\nbowls_rel_sd = 0.15\n"
    )
    assert parse_bench(written).settings() == Settings()
    said = written.replace("122.0", "100.0")
    assert parse_bench(said).settings().geometry.hose.permeation_g_per_m2_day == 100
