"""The few plain questions of `bench init`, which narrow what a tight rack is expected to lose."""

from __future__ import annotations

from dataclasses import dataclass

import typer

from soakmon.errors import InputError

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class BenchQuestion:
    """What is asked; key: where the answer stands in bench.toml; answers: what may be said."""

    key: str
    text: str
    answers: tuple[str, ...]


QUESTIONS = (
    BenchQuestion(
        "hose.kind",
        "What is printed on the feed hose? R6, R7 or nothing on plain rubber: ordinary; R9, -15 or "
        "an EPA mark: low_permeation; clear tube: clear",
        ("ordinary", "low_permeation", "clear", UNKNOWN),
    ),
    BenchQuestion(
        "fuel.ethanol",
        "Which petrol is it? The pump says E5 or E10; without ethanol: e0",
        ("e0", "e5", "e10", UNKNOWN),
    ),
    BenchQuestion(
        "fuel.age",
        "Was it bought for this season, and kept shut since (fresh)? A can of unknown age: unknown",
        ("fresh", UNKNOWN),
    ),
    BenchQuestion(
        "rack.vents",
        "Will you measure bore and length of the bowls' vents, and plug the overflow pipes above "
        "the level for the soak (measured)? Else: unknown",
        ("measured", UNKNOWN),
    ),
)


def asked() -> dict[str, str]:
    """Ask all of them in the terminal; Enter leaves one open."""
    told = {}
    for question in QUESTIONS:
        typer.echo(question.text)
        while True:
            answer = typer.prompt(f"  {' / '.join(question.answers)}", default=UNKNOWN).strip()
            if answer in question.answers:
                break
            typer.echo(f"  {answer!r} is none of these")
        told[question.key] = answer
    return told


def given(answers: list[str]) -> dict[str, str]:
    """Answers of the command line, as key=answer; InputError for one that cannot be."""
    told = {}
    known = {question.key: question.answers for question in QUESTIONS}
    for one in answers:
        key, _, answer = one.partition("=")
        if answer not in known.get(key, ()):
            choices = "; ".join(f"{key}: {', '.join(may)}" for key, may in known.items())
            raise InputError(f"--say {one}: there are {choices}")
        told[key] = answer
    return told
