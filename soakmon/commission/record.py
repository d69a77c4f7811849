"""The record of commissioning: one page of what was tried on this bench and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from html import escape
from typing import Any

from soakmon.cautions import CAUTIONS

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
        return "left out" if self.passed is None else "good" if self.passed else "NOT GOOD"


def summary(steps: Sequence[CommissionStep]) -> str:
    """In a line: what is good, and what is not."""
    bad = [step.name for step in steps if step.passed is False]
    out = [step.name for step in steps if step.passed is None]
    text = "all that was tried is good" if not bad else f"NOT GOOD: {', '.join(bad)}"
    return text + (f"; left out: {', '.join(out)}" if out else "")


def as_data(steps: Sequence[CommissionStep]) -> dict[str, Any]:
    """As it is kept."""
    return {"steps": [asdict(step) for step in steps]}


def page(
    bench: str, steps: Sequence[CommissionStep], when: datetime, version: str, toml: str
) -> str:
    """The record as one HTML page, to print. toml: where bench.toml is."""
    rows = "".join(
        f"<tr><td>{escape(step.name)}<td><strong>{step.mark}</strong><td>{escape(step.text)}"
        for step in steps
    )
    cautions = " ".join(escape(caution) for caution in CAUTIONS)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        f"<title>Commissioning of {escape(bench)}</title><style>{_STYLE}</style>"
        f"<h1>Commissioning of {escape(bench)}</h1>"
        f"<p>{when:%d %B %Y, %H:%M}, soakmon {escape(version)}, {escape(toml)}. "
        f"{escape(summary(steps).capitalize())}.</p>"
        f"<table><tr><th>What was tried<th><th>What came of it{rows}</table>"
        f"<p>By: ____________________</p><footer>{cautions}</footer></html>\n"
    )
