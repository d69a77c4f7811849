"""How much a rack takes, of one described with 100 g."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.rack_content import RackContent

GUESSED, MEASURED = RackContent(100.0, False), RackContent(100.0, True)


@pytest.mark.parametrize(
    ("full", "again", "trickles", "guessed_g", "measured_g"),
    [
        (False, False, False, 260.0, 160.0),
        (False, False, True, 170.0, 160.0),
        (False, True, False, 170.0, 110.0),
        (True, False, False, 140.0, 140.0),
        (True, True, True, 140.0, 140.0),
    ],
)
def test_a_fill_takes_no_more(full, again, trickles, guessed_g, measured_g):
    asked = {"full": full, "again": again, "trickles": trickles}
    assert GUESSED.most_g(**asked) == pytest.approx(guessed_g)
    assert MEASURED.most_g(**asked) == pytest.approx(measured_g)


def test_what_it_may_still_take_and_what_is_missing():
    assert GUESSED.may_take_g(90.0) == pytest.approx(70.0)
    assert MEASURED.may_take_g(90.0) == pytest.approx(16.0)
    assert GUESSED.missing_g(90.0) == pytest.approx(10.0)
    assert GUESSED.may_take_g(200.0) == GUESSED.missing_g(200.0) == 0.0


@pytest.mark.parametrize(
    ("taken_g", "short"), [(100.0, 0), (84.0, 0), (83.0, 1), (75.0, 1), (59.0, 1), (58.0, 2)]
)
def test_a_bowl_is_missing_from_two_thirds_of_one_on(taken_g, short):
    assert GUESSED.bowls_short(taken_g, 25.0) == short


@pytest.mark.parametrize(
    ("taken_g", "differs"), [(64.0, True), (66.0, False), (134.0, False), (136.0, True)]
)
def test_a_fill_that_is_off_by_a_third_is_of_another_rack(taken_g, differs):
    assert GUESSED.differs(taken_g) == differs


@given(taken_g=st.floats(0.0, 1000.0))
def test_it_holds_what_it_took_but_for_what_no_rack_is(taken_g):
    assert GUESSED.scale(taken_g) == pytest.approx(min(max(taken_g / 100.0, 0.3), 3.0))
    assert MEASURED.may_take_g(taken_g) <= GUESSED.may_take_g(taken_g)
    assert GUESSED.bowls_short(taken_g, 25.0) >= 0


def test_what_a_fill_that_the_empty_bottle_ended_took_beyond_any_rack():
    assert GUESSED.over_g(165.0) == 0.0
    assert GUESSED.over_g(180.0) == pytest.approx(10.0)
    assert MEASURED.over_g(130.0) == 0.0
    assert MEASURED.over_g(145.0) == pytest.approx(10.0)
