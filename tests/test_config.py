"""bench.toml: the example holds every key, and problems are told by their path."""

from __future__ import annotations

import re

import pytest

from soakmon.config import Bench, example_toml, parse_bench, read_bench
from soakmon.errors import InputError
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
    unitless = {"carbs", "name", "false_alarm", "blank_scale", "storm_drops", "g_per_count"}
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
