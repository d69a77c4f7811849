"""The few plain questions of `bench init`, which narrow what a tight rack is expected to lose."""

from __future__ import annotations

import typer

from soakmon.commission.questions import OF_FUEL, UNKNOWN
from soakmon.errors import InputError


def asked() -> dict[str, str]:
    """Ask all of them in the terminal; Enter leaves one open."""
    known = {}
    for question in OF_FUEL:
        typer.echo(question.text)
        while True:
            answer = typer.prompt(f"  {' / '.join(question.answers)}", default=UNKNOWN).strip()
            if answer in question.answers:
                break
            typer.echo(f"  {answer!r} is none of these")
        known[question.key] = answer
    return known


def given(answers: list[str]) -> dict[str, str]:
    """Answers of the command line, as key=answer; InputError for one that cannot be."""
    values = {}
    known = {question.key: question.answers for question in OF_FUEL}
    for text in answers:
        key, _, answer = text.partition("=")
        if answer not in known.get(key, ()):
            choices = "; ".join(f"{key}: {', '.join(may)}" for key, may in known.items())
            raise InputError(f"--say {text}: there are {choices}")
        values[key] = answer
    return values
