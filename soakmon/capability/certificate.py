"""The measured capability as one HTML page that needs nothing else and prints well."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from soakmon.capability.both_bounds import Bounds
from soakmon.capability.by_owner import owner_heads, owner_lines
from soakmon.capability.evaluate import Result
from soakmon.capability.summary import HEADS, detection_lines, error_lines, facts
from soakmon.cautions import CAUTIONS

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; max-width: 46rem; margin: 2rem auto; padding: 0 1rem;
  color: #111; background: #fff; }
table { border-collapse: collapse; width: 100%; margin: 1rem 0; }
th, td { border-bottom: 1px solid #767676; padding: .3rem .5rem; text-align: left; }
caption { text-align: left; font-weight: bold; }
@media print { body { margin: 0; font-size: 11pt; } }
"""


def certificate(
    results: Sequence[Result], bounds: Bounds | None = None, *, version: str, seed: int
) -> str:
    """The page, complete; its only numbers are those of the results and the bounds."""
    nights = len(results)
    return (
        '<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>soakmon {escape(version)}: measured capability</title>\n"
        f"<style>{_STYLE}</style></head>\n<body>\n<h1>Measured capability</h1>\n"
        f"<p>soakmon {escape(version)} judged {nights} simulated nights drawn at random (seed "
        f"{seed}) without knowing which of them leaked. The data are invented: they come from a "
        "simulator whose equations differ from the decider's. No real bench has been measured: "
        "this shows what the method can do, so check your own bench with a known leak. What "
        "bench.toml says and what the bench really is were drawn separately: a careless owner "
        "keeps the defaults, a careful one states what can be read off or measured; blank and past "
        "are careless owners with a blank run or thirty tight soaks. Blank runs are simulated and "
        "judged as in use, for a week at most; an owner whose cell drifts too much does without. "
        "Half of the nights are disturbed.</p>\n"
        + _table("Results", ("figure", "value"), facts(results, bounds))
        + _table(
            "By what the owner knows of the bench, with 95 % limits",
            owner_heads(results),
            owner_lines(results),
        )
        + _table("Leaks induced and found", HEADS, detection_lines(results))
        + _list("Errors of the estimated rate", error_lines(results))
        + "<p>Bias, spread, threshold and smallest detectable leak follow the form of the EPA "
        "standard test procedures for leak detection (from memory of UST-90-004).</p>\n"
        + _list("Cautions", CAUTIONS)
        + "</body>\n</html>\n"
    )


def _table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>\n" for row in rows
    )
    return (
        f"<table>\n<caption>{escape(caption)}</caption>\n<thead><tr>{head}</tr></thead>\n"
        f"<tbody>\n{body}</tbody>\n</table>\n"
    )


def _list(heading: str, lines: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(line)}</li>\n" for line in lines)
    return f"<h2>{escape(heading)}</h2>\n<ul>\n{items}</ul>\n" if items else ""
