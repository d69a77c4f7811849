"""The table of odds, and that it reaches the ranking of causes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.errors import InputError
from soakmon.records.jobs.fields import CarbFields
from soakmon.records.priors import FILE, parse_table, read_table, shifts
from soakmon.watch.causes import Evidence, rank
from soakmon.watch.verdict import Cause

TABLE = read_table()


def shift(values=None, notes=(), carb=2):
    return shifts({carb: values or {}}, list(notes), TABLE).get(carb)


def test_nothing_written_down_shifts_nothing():
    assert shift(CarbFields().model_dump(), [(2, "all good"), (None, "cleaned")]) is None


@pytest.mark.parametrize(
    ("values", "cause", "up"),
    [
        ({"bowl_gasket_renewed": False}, Cause.BOWL_JOINT_WEEP, True),
        ({"bowl_gasket_renewed": True}, Cause.BOWL_JOINT_WEEP, False),
        ({"needle_seat_renewed": False}, Cause.NEEDLE_WEEP, True),
        ({"overflow_lip": "cracked"}, Cause.OVERFLOW_TUBE_CRACK, True),
        ({"overflow_lip": "good"}, Cause.OVERFLOW_TUBE_CRACK, False),
        ({"float_shaken_dry": False}, Cause.NEEDLE_STUCK_OPEN, True),
    ],
)
def test_parts_shift_their_cause(values, cause, up):
    found = shift(values)
    assert (found.factor[cause] > 1) == up
    assert found.because


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        ("Bowl 2's gasket fought back during assembly", Cause.BOWL_JOINT_WEEP),
        ("the drain plug is CROSS-threaded", Cause.BOWL_JOINT_WEEP),
        ("clean. The needle has a groove.", Cause.NEEDLE_WEEP),
        ("float binds a little", Cause.NEEDLE_STUCK_OPEN),
        ("overflow: soldered a split", Cause.OVERFLOW_TUBE_CRACK),
        ("rail O-ring went in tight", Cause.RAIL_JOINT_WEEP),
    ],
)
def test_notes_shift_their_cause(text, cause):
    assert shift(notes=[(2, text)]).factor[cause] == 2.0
    assert shift(notes=[(None, text)]).factor[cause] == 2.0
    assert shift({"notes": text}).factor[cause] == 2.0
    assert shift(notes=[(1, text)]) is None


@pytest.mark.parametrize(
    "text",
    [
        "gasket went in with no damage",
        "the gasket was not torn",
        "needle without any groove",
        "gasket renewed. Chain worn.",
        "gaskets are fine; throttle shaft stuck",
        "bottle cut",
    ],
)
def test_denied_or_unrelated_trouble_says_nothing(text):
    assert shift(notes=[(2, text)]) is None


def test_a_rule_counts_once_however_often_it_is_written():
    once = shift(notes=[(2, "gasket torn")])
    assert shift(notes=[(2, "gasket torn")] * 5) == once


@given(st.builds(CarbFields), st.lists(st.text(max_size=60), max_size=3))
def test_factors_stay_within_their_limits(values, notes):
    found = shift(values.model_dump(), [(2, text) for text in notes])
    for factor in (found.factor if found else {}).values():
        assert TABLE.limits.least <= factor <= TABLE.limits.most


def test_all_that_can_be_wrong_at_once_stays_within_the_limits():
    values = {"overflow_lip": "cracked", "needle_seat_renewed": False, "float_shaken_dry": False}
    found = shift(values, [(2, "overflow split. needle worn and stuck")])
    assert found.factor[Cause.OVERFLOW_TUBE_CRACK] == TABLE.limits.most
    assert max(found.factor.values()) == TABLE.limits.most


def test_the_shift_moves_the_ranking():
    plain = rank([Evidence(2, 1.0, 1.0, 5.0, False)], 0.0, bowls_short=0)
    gasket = shift(notes=[(2, "gasket fought back")]).factor
    moved = rank([Evidence(2, 1.0, 1.0, 5.0, False, shift=gasket)], 0.0, bowls_short=0)

    def odds(suspects):
        chance = {s.cause: s.probability for s in suspects}[Cause.BOWL_JOINT_WEEP]
        return chance / (1 - chance)

    assert odds(moved) == pytest.approx(2 * odds(plain), rel=2e-3)


def test_the_data_folder_has_the_last_word(tmp_path):
    (tmp_path / FILE).write_text(
        '[[note]]\nabout = ["bowl"]\ntrouble = ["odd"]\n'
        'factor = { bowl_joint_weep = 3.0 }\nbecause = "invented"\n'
    )
    own = read_table(tmp_path)
    assert shifts({1: {}}, [(1, "bowl looks odd")], own)[1].because == ("invented",)
    assert read_table(tmp_path / "none") == TABLE


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[part", "not TOML"),
        (
            "[[part]]\nfield = 'x'\nvalue = true\nfactor = {needle_weep = 2}\nbecause = 'b'",
            "no field",
        ),
        (
            "[[note]]\nabout = ['x']\ntrouble = ['y']\nfactor = {no_leak = 2}\nbecause = 'b'",
            "not a c",
        ),
        ("[[note]]\nabout = ['x']\ntrouble = ['y']\nfactor = {rust = 2}\nbecause = 'b'", "factor"),
        (
            "[[note]]\nabout = ['x']\ntrouble = ['y']\nfactor = {needle_weep = 0}\nbecause = 'b'",
            "gre",
        ),
        ("[limit]\nmost = 3", "limit"),
    ],
)
def test_tables_that_cannot_be_are_told(text, says):
    with pytest.raises(InputError, match=says):
        parse_table(text, "p.toml")
