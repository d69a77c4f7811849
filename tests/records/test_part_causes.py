"""What a shop has seen of renewed parts moves the odds of causes, and never whether it leaks."""

from __future__ import annotations

import pytest

from soakmon.records.part_causes import (
    KEY,
    CarbCauses,
    causes_form,
    learnt_table,
    parts_seen,
    read_causes,
)
from soakmon.records.priors import Shift, read_table, shifts
from soakmon.watch.verdict import Band, Cause, Outcome, Suspect, Verdict

GASKET = "bowl_gasket_renewed"
JOINT = Cause.BOWL_JOINT_WEEP


def carbs(renewed: bool, count: int, chance: float) -> list[CarbCauses]:
    return [CarbCauses(carb=1, parts={GASKET: renewed}, chances={JOINT: chance})] * count


def factor(soaks: list[tuple[str, list[CarbCauses]]], renewed: bool) -> float:
    table = read_table()
    moved = learnt_table(table, parts_seen(soaks, table))
    return shifts({1: {GASKET: renewed}}, [], moved)[1].factor[JOINT]


def test_nothing_seen_changes_nothing():
    table = read_table()
    assert learnt_table(table, parts_seen([], table)) == table


def test_a_part_that_leaks_renewed_as_often_as_not_loses_its_factor():
    """By the table a renewed gasket has 0.7 of the odds, and one that was not 1.8."""
    assert factor([], renewed=True) == 0.7
    shop = [(f"bench {k}", carbs(True, 20, 0.2) + carbs(False, 20, 0.2)) for k in range(10)]
    assert factor(shop, renewed=True) == pytest.approx(1.0, abs=0.05)
    assert factor(shop, renewed=False) == pytest.approx(1.0, abs=0.1)


def test_a_part_that_never_leaks_renewed_tells_it():
    shop = [(f"bench {k}", carbs(True, 20, 0.0) + carbs(False, 20, 0.3)) for k in range(10)]
    assert factor(shop, renewed=True) == pytest.approx(0.2, abs=0.1)
    assert factor(shop, renewed=False) > 1.85


def test_one_bench_is_not_the_shop():
    quiet = [(f"bench {k}", carbs(True, 10, 0.02) + carbs(False, 10, 0.1)) for k in range(10)]
    loud = ("loud", carbs(True, 4000, 0.9) + carbs(False, 4000, 0.1))
    heard = factor([*quiet, ("loud", loud[1][3980:4020])], renewed=True)
    assert factor([*quiet, loud], renewed=True) == pytest.approx(heard, abs=0.01)


def verdict(outcome: Outcome) -> Verdict:
    suspects = (Suspect(JOINT, 2, 0.6), Suspect(Cause.NEEDLE_WEEP, 2, 0.3),
                Suspect(Cause.NO_LEAK, None, 0.1))  # fmt: skip
    none = Band(0.0, 0.0, 0.0)
    return Verdict(outcome, "", 86400.0, 1.0, none, none, None, (0, 9), (), suspects, ())


def test_a_factor_does_not_feed_on_itself():
    """What the record had told the decider is taken out before it is kept."""
    told = {2: Shift({JOINT: 3.0})}
    found = {1: {GASKET: True, "notes": "x"}, 2: {GASKET: False, "float_height_mm": 21.0}}
    first, second = read_causes({KEY: causes_form(verdict(Outcome.LEAKING), found, told)})
    assert second.chances[JOINT] == pytest.approx(1 / 3, abs=1e-4)
    assert second.chances[Cause.NEEDLE_WEEP] == pytest.approx(0.5, abs=1e-4)
    assert second.parts == {GASKET: False}
    assert first.parts == {GASKET: True}
    assert first.chances == {}


def test_a_soak_that_decided_nothing_says_nothing_and_torn_records_are_passed_over():
    assert causes_form(verdict(Outcome.NOT_PROVEN), {1: {GASKET: True}}, {}) == []
    for torn in (3, [{"carb": 1}], [{"carb": 1, "parts": {}, "chances": {JOINT: 7}}], None):
        assert read_causes({KEY: torn}) == []
