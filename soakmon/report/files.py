"""The report folder: report.html, verdict.json, readings.csv and the picture as PNG and SVG."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon import __version__
from soakmon.cautions import CAUTIONS
from soakmon.errors import InputError
from soakmon.records.run_file import write_run
from soakmon.report import words
from soakmon.report.figure import draw
from soakmon.watch.decide import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Verdict


def write_report(folder: Path, rows: Rows, decision: Decision, title: str) -> list[Path]:
    """Write the report into a folder, made when missing; returns the files.

    Everything is made beside it first, so that a failure leaves no half report. Raises InputError
    when the folder cannot be used.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder, prefix=".making-") as name:
            made = _make(Path(name), rows, decision, title)
            return [file.replace(folder / file.name) for file in made]
    except OSError as error:
        raise InputError(f"{folder}: the report cannot be written: {error.strerror}") from None


def _make(folder: Path, rows: Rows, decision: Decision, title: str) -> list[Path]:
    readings = folder / "readings.csv"
    write_run(readings, rows, (f"readings of a soak: {title}",))
    picture, drawing = folder / "soak.png", folder / "soak.svg"
    draw(picture, rows, decision, title)
    draw(drawing, rows, decision, title)
    verdict = folder / "verdict.json"
    verdict.write_text(json.dumps(decision.verdict.as_dict(), indent=1) + "\n", encoding="utf-8")
    digest = hashlib.sha256(readings.read_bytes()).hexdigest()
    page = folder / "report.html"
    page.write_text(report_html(decision, title, picture, digest), encoding="utf-8")
    return [page, verdict, readings, picture, drawing]


def report_html(decision: Decision, title: str, picture: Path, readings_sha256: str) -> str:
    """The report as one self-contained page."""
    verdict = decision.verdict
    image = base64.b64encode(picture.read_bytes()).decode("ascii")
    heading = words.HEADINGS[verdict.outcome]
    described = f"{words.loss(verdict)}. Drops: {words.drops(verdict)}."
    cautions = "".join(f"<li>{html.escape(line)}</li>" for line in CAUTIONS)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Soak report: {html.escape(title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>Soak report: {html.escape(title)}</h1>
<p class="verdict {verdict.outcome.value}">{html.escape(heading)}</p>
<p class="reason">{html.escape(verdict.reason)}</p>
<img src="data:image/png;base64,{image}" alt="{html.escape(described)}">
<h2>What was found</h2>
<table>{_facts(verdict)}</table>
<h2>What is behind it</h2>
{_list([words.suspect(one) for one in verdict.suspects], "nothing to suspect")}
<h2>Alarms</h2>
{_list([f"{words.hour(a.t_s)}: {a.text}" for a in verdict.alarms], "none")}
<h2>Disturbances and faults</h2>
{_list([f"{words.hour(f.t_s)}: {f.text}" for f in verdict.faults], "none")}
<h2>Phases</h2>
{_list([f"{words.hour(t)}: {name}" for name, t in decision.phases], "none")}
<h2>Cautions</h2>
<ul>{cautions}</ul>
<p class="small">soakmon {__version__}. SHA-256 of readings.csv: <code>{readings_sha256}</code></p>
</main>
</body>
</html>
"""


def _facts(verdict: Verdict) -> str:
    facts = (
        ("Watched for", words.hour(verdict.duration_s)),
        ("Loss", words.loss(verdict)),
        ("Leak", words.leak(verdict.leak_g_per_h, verdict.outcome)),
        ("Smallest leak this run could prove", words.smallest(verdict)),
        ("Drops", words.drops(verdict)),
    )
    return "".join(
        f'<tr><th scope="row">{html.escape(name)}</th><td>{html.escape(text)}</td></tr>'
        for name, text in facts
    )


def _list(lines: list[str], empty: str) -> str:
    if not lines:
        return f"<p>{empty}</p>"
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #111; background: #fff; margin: 0; }
main { max-width: 52rem; margin: 0 auto; padding: 1rem; overflow-wrap: anywhere; }
img { width: 100%; height: auto; }
.verdict { font-size: 2rem; font-weight: bold; margin: .2em 0; padding: .2em .5em;
  border: 4px solid #111; }
.leaking { border-style: double; border-width: 10px; }
.not_proven { border-style: dashed; }
.reason { font-size: 1.2rem; }
th { text-align: left; vertical-align: top; padding-right: 1.5em; }
th, td { padding-top: .2em; padding-bottom: .2em; }
.small { font-size: .8rem; color: #444; }
@media print { main { max-width: none; } h2 { break-after: avoid; } }
"""
