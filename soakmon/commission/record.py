"""The record of commissioning: one page of what was tried on this bench and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from html import escape
from typing import Any

from soakmon.cautions import CAUTIONS
from soakmon.texts import ENGLISH, say, translated

KIND = "commissioning"
_STYLE = (
    "body{font:11pt/1.35 sans-serif;max-width:18cm;margin:1.2cm auto;color:#111}"
    "h1{font-size:16pt;margin:0 0 2mm}table{border-collapse:collapse;width:100%}"
    "th,td{border-bottom:1px solid #999;padding:1mm 2mm;text-align:left;vertical-align:top}"
    "footer{font-size:8pt;margin-top:5mm}"
)


@dataclass(frozen=True, slots=True)
class CommissionStep:
    """A step of commissioning; passed: None where it was left out."""

    name: str
    passed: bool | None
    text: str

    @property
    def mark(self) -> str:
        """In a word."""
        if self.passed is None:
            return say("commission_record.left_out")
        return say("commission_record.good" if self.passed else "commission_record.not_good")


def summary(steps: Sequence[CommissionStep]) -> str:
    """In a line: what is good, and what is not."""
    bad = [step.name for step in steps if step.passed is False]
    out = [step.name for step in steps if step.passed is None]
    text = say("commission_record.all_good")
    if bad:
        text = say("commission_record.bad", names=", ".join(bad))
    return f"{text}; {say('commission_record.out', names=', '.join(out))}" if out else text


def as_data(steps: Sequence[CommissionStep]) -> dict[str, Any]:
    """As it is kept."""
    return {"steps": [asdict(step) for step in steps]}


def page(
    bench: str,
    steps: Sequence[CommissionStep],
    when: datetime,
    about: str,
    *,
    language: str = ENGLISH,
) -> str:
    """The record as one HTML page, to print. about: version, and where bench.toml is."""

    def spoken(text: str) -> str:
        return escape(translated(text, language))

    rows = "".join(
        f"<tr><td>{spoken(step.name)}<td><strong>{spoken(step.mark)}</strong><td>{spoken(step.text)}"
        for step in steps
    )
    cautions = " ".join(spoken(caution) for caution in CAUTIONS)
    title = spoken(say("commission_record.title", bench=bench))
    short = summary(steps)
    return (
        f'<!doctype html><html lang="{language}"><meta charset="utf-8">'
        f"<title>{title}</title><style>{_STYLE}</style><h1>{title}</h1>"
        f"<p>{when:%Y-%m-%d %H:%M}, {escape(about)}. {spoken(short[:1].upper() + short[1:])}.</p>"
        f"<table><tr><th>{spoken(say('commission_record.tried'))}<th>"
        f"<th>{spoken(say('commission_record.came_of_it'))}{rows}</table>"
        f"<p>{spoken(say('commission_record.by'))} ____________________</p>"
        f"<footer>{cautions}</footer></html>\n"
    )
