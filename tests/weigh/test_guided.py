"""A bench test under way: limits at each question, how many steps, and what was typed last time."""

from __future__ import annotations

import pytest

from soakmon.bench.last_answers import keep_answers, last_answers
from soakmon.weigh.guided import TESTS, Guided


@pytest.mark.parametrize(
    ("answers", "wrong", "says"),
    [
        ([], 0.0, "capacity of the cell in g: more than 0, at most 200000 will do, not 0"),
        ([5000.0], 300.0, "intervals of its class: a whole number 500 to 10000 will do, not 300"),
        ([5000.0], 3000.5, "a whole number 500 to 10000"),
        ([5000.0, None, 0.1], float("inf"), "reading with nothing on the cell: a number is needed"),
        ([5000.0, None, 0.1, 80.0], 6000.0, "next larger mass .*: 0 to 5000 will do, not 6000"),
    ],
)
def test_a_number_is_checked_at_its_question_in_its_words(answers, wrong, says):
    guided = Guided("calibration", 4, [(value, 0.0) for value in answers])
    question = guided.question
    with pytest.raises(ValueError, match=says):
        guided.answer(wrong, 0.0)
    assert guided.question == question


def test_the_steps_are_counted():
    guided = Guided("daily", 4)
    for done, value in enumerate((5000.0, 200.0, None, 0.0, 200.1)):
        assert (len(guided.answers), guided.steps_left()) == (done, 5 - done)
        guided.answer(value, 0.0)
    assert guided.question is None


@pytest.mark.parametrize("test", TESTS)
def test_every_test_has_so_many_steps_at_least(test):
    assert 3 <= Guided(test, 4).steps_left() < 40


def test_what_was_typed_is_offered_again_and_readings_are_not(tmp_path):
    guided = Guided("daily", 4)
    for value in (5000.0, 200.0, 0.01, 0.0, 200.1):
        guided.answer(value, 0.0)
    keep_answers(tmp_path, guided)
    again = Guided("daily", 4, last=last_answers(tmp_path, "daily"))
    for typed in (5000.0, 200.0, 0.01):
        assert again.question.default == again.question.last == typed
        again.answer(None, 0.0)
    assert again.question.default is None
    with pytest.raises(ValueError, match="a number is needed"):
        again.answer(None, 0.0)
    # What was left to the last time is written down as what it was.
    assert Guided("daily", 4, again.answers).typed == again.typed
    assert again.back().question.default == 0.01
    assert last_answers(tmp_path, "blank") == {}


def test_a_last_answer_that_would_not_do_now_is_not_offered(tmp_path):
    last = {"known mass in g": [200.0]}
    small = Guided("daily", 4, [(100.0, 0.0)], last)
    assert small.question.default is None


def test_masses_of_the_last_calibration_are_shown_and_an_empty_answer_still_ends_them():
    text = "next larger mass in g (empty: now down)"
    done = [(value, 0.0) for value in (5000.0, 3000.0, 0.0, 17.0)]
    guided = Guided("calibration", 4, done, {text: [100.0, 500.0]})
    assert (guided.question.last, guided.question.default) == (100.0, None)
    guided.answer(100.0, 0.0)
    guided.answer(8000.0, 0.0)
    assert guided.question.last == 500.0
    guided.answer(None, 0.0)
    assert guided.question.text.startswith("take off until")
