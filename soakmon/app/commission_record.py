"""The record of commissioning, kept as a page and as a result, whoever led through it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from soakmon import __version__
from soakmon.app.keep_results import keep_judged
from soakmon.commission.record import KIND, CommissionStep, as_data, page, summary
from soakmon.records.opening import now
from soakmon.weigh.result import BenchTestResult


def keep_record(
    data: Path, name: str, steps: Sequence[CommissionStep], toml: str, language: str
) -> tuple[BenchTestResult, Path]:
    """The result as it is kept, and where its page lies.

    data: the data folder; name: the bench's; toml: where bench.toml is; language: of the page.
    """
    folder = data / KIND
    folder.mkdir(parents=True, exist_ok=True)
    when = now().astimezone()
    path = folder / f"{when:%Y-%m-%d-%H%M}.html"
    about = f"soakmon {__version__}, {toml}"
    path.write_text(page(name, steps, when, about, language=language), encoding="utf-8")
    good = not any(step.passed is False for step in steps)
    lines = tuple(f"{step.name}: {step.mark}: {step.text}" for step in steps)
    result = BenchTestResult(KIND, good, summary(steps), lines, as_data(steps))
    keep_judged(data, result, None, name)
    return result, path
