"""Asks the questions of a guide in the terminal."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TextIO

from soakmon.errors import InputError
from soakmon.weigh.guided import Guided
from soakmon.weigh.guides import Question

_AGAIN = 3
_BACK, _TAKE = "b", "t"

# Answers a question from the running bench, or raises InputError; None: there is none to ask.
Take = Callable[[Question, Guided], float]


def ask_all(
    guided: Guided,
    source: TextIO,
    say: Callable[[str], None],
    clock_s: Callable[[], float],
    take: Take | None = None,
) -> Guided:
    """Ask until the form is filled in; the filled-in test.

    clock_s: wall time. An answer "b" goes back one question; with `take`, "t" has the bench answer
    what it can. Raises InputError when the input ends, or after three answers that cannot be
    taken.
    """
    say(_help(take))
    wrong = 0
    while guided.question is not None:
        question = guided.question
        line = _line(question, source, say, take)
        # The end of the input is not one of the wrong answers.
        try:
            if line == _BACK:
                guided = guided.back()
            elif line == _TAKE and take is not None and question.source:
                taken = take(question, guided)
                say(f"  {taken:g}\n")
                guided.answer(taken, clock_s())
            else:
                guided.answer(_value(line), clock_s())
            wrong = 0
        except (ValueError, InputError) as error:
            wrong += 1
            if wrong == _AGAIN:
                text = f"{question.text}: three answers could not be taken: nothing was kept"
                raise InputError(text) from None
            say(f"{error}\n")
    return guided


def _help(take: Take | None) -> str:
    taken = f"; {_TAKE}: taken from the bench, where it is offered" if take is not None else ""
    return f"({_BACK}: one question back{taken})\n"


def _line(question: Question, source: TextIO, say: Callable[[str], None], take: Take | None) -> str:
    if question.note:
        say(f"{question.note}\n")
    default = f" [{question.default:g}]" if question.default is not None else ""
    if question.optional and question.last is not None:
        default = f" (last time {question.last:g})"
    offered = f" ({_TAKE}: from the bench)" if take is not None and question.source else ""
    say(f"{question.text}{default}{offered}: ")
    line = source.readline()
    if not line:
        raise InputError("the input ended before the last number: nothing was kept")
    return line.strip()


def _value(line: str) -> float | None:
    if not line:
        return None
    try:
        value = float(line.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{line!r} is not a number")
    return value
