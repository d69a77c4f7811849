"""The report folder: report as HTML and PDF, verdict.json, readings.csv, picture as PNG and SVG.

PDF and pictures need the extra `report`; without it the rest is written.
"""

from __future__ import annotations

import base64
import html
import json
from pathlib import Path
from tempfile import TemporaryDirectory

from soakmon.errors import InputError
from soakmon.extras import installed
from soakmon.records.jobs.files import sha256_of
from soakmon.records.jobs.text import inert
from soakmon.records.run_file import write_run
from soakmon.records.verdict_form import VerdictForm
from soakmon.records.verdicts import as_written
from soakmon.report.content import About, Content, ReportSection, content
from soakmon.report.in_language import drawing_in_language, in_language
from soakmon.report.paper import Paper
from soakmon.report.rack import Shape, rack, svg
from soakmon.texts import say, translated
from soakmon.watch.decision import Decision
from soakmon.watch.rows import Rows

_ALWAYS, _PICTURED = ("report.html", "verdict.json", "readings.csv"), (
    "report.pdf", "soak.png", "soak.svg",
)  # fmt: skip


def file_names() -> tuple[str, ...]:
    """The files of a report, as far as they can be made here."""
    return (*_ALWAYS, *(_PICTURED if installed("report") else ()))


def write_report(
    folder: Path,
    rows: Rows,
    decision: Decision,
    title: str,
    about: About | None = None,
    *,
    paper: Paper = "a4",
) -> list[Path]:
    """Write the report into a folder, made when missing; returns the files, the page first.

    Everything is made beside it first, so that a failure leaves no half report. Raises InputError
    when the folder cannot be used.
    """
    decision = as_written(decision)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder, prefix=".making-") as name:
            files = _make(Path(name), rows, decision, title, about or About(), paper=paper)
            return [file.replace(folder / file.name) for file in files]
    except OSError as error:
        raise InputError(f"{folder}: the report cannot be written: {error.strerror}") from None


def _make(
    folder: Path, rows: Rows, decision: Decision, title: str, about: About, *, paper: Paper
) -> list[Path]:
    readings = folder / "readings.csv"
    write_run(readings, rows, (f"readings of a soak: {' '.join(title.split())}",))
    language = about.language
    verdict = folder / "verdict.json"
    written = json.dumps(VerdictForm.of(decision.verdict).as_dict(), indent=1)
    verdict.write_text(written + "\n", encoding="utf-8")
    hashes = {file.name: sha256_of(file) for file in (readings, verdict)}
    report = in_language(content(rows, decision, title, about, hashes), language)
    carbs = len(about.settings.geometry.bowls) if about.settings else rows.gates
    shapes = drawing_in_language(rack(decision, max(carbs, rows.gates)), language)
    page, printed = folder / "report.html", folder / "report.pdf"
    if not installed("report"):
        page.write_text(report_html(report, shapes), encoding="utf-8")
        return [page, verdict, readings]
    # Imported here: they take longer than deciding, and are an extra.
    from soakmon.report.figure import draw  # noqa: PLC0415
    from soakmon.report.pdf import write_pdf  # noqa: PLC0415

    picture, drawing = folder / "soak.png", folder / "soak.svg"
    draw(picture, rows, decision, title, about.clock, language=language)
    draw(drawing, rows, decision, title, about.clock, language=language)
    page.write_text(report_html(report, shapes, picture), encoding="utf-8")
    plain = folder / "plain.png"
    draw(plain, rows, decision, "", about.clock, dpi=200, height_in=5.6, language=language)
    write_pdf(printed, report, shapes, plain, paper=paper, dated=about.dated)
    plain.unlink()
    return [page, printed, verdict, readings, picture, drawing]


def _escape(text: str) -> str:
    return html.escape(inert(text, lines=True))


def report_html(content: Content, shapes: list[Shape], picture: Path | None = None) -> str:
    """The report as one self-contained page; without a picture where nothing can draw one."""
    image = ""
    if picture is not None:
        image = base64.b64encode(picture.read_bytes()).decode("ascii")
        image = f'<img src="data:image/png;base64,{image}" alt="{_escape(content.sentence)}">'
    title = translated(say("pdf.soak_report", title=content.title), content.language)
    rack_name = translated(say("content.rack"), content.language)
    return f"""<!DOCTYPE html>
<html lang="{content.language}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{_escape(title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>{_escape(title)}</h1>
<p class="verdict {content.outcome.value}">{_escape(content.heading)}</p>
<p class="reason">{_escape(content.sentence)}</p>
{_steps(content)}
<table>{_facts(content.summary)}</table>
<div class="scroll" tabindex="0" role="group" aria-label="{rack_name}">
<div class="rack">{svg(shapes)}</div></div>
{image}
<h2 class="details">{translated(say("pdf.details"), content.language)}</h2>
{"".join(_section(section) for section in content.details)}
</main>
</body>
</html>
"""


def _steps(content: Content) -> str:
    if not content.steps:
        return ""
    heading = translated(say("pdf.what_do_next"), content.language)
    items = "".join(f"<li>{_escape(step)}</li>" for step in content.steps)
    return f"<h2>{heading}</h2><ol>{items}</ol>"


def _section(section: ReportSection) -> str:
    parts = [f"<h3>{_escape(section.title)}</h3>"]
    if section.facts:
        parts.append(f"<table>{_facts(section.facts)}</table>")
    if section.lines:
        parts.append("<ul>" + "".join(f"<li>{_escape(x)}</li>" for x in section.lines) + "</ul>")
    if section.verbatim:
        parts.append(f"<pre>{_escape(section.verbatim)}</pre>")
    return "\n".join(parts) + "\n"


def _facts(facts: tuple[tuple[str, str], ...]) -> str:
    return "".join(
        f'<tr><th scope="row">{_escape(name)}</th><td>{_escape(text)}</td></tr>'
        for name, text in facts
    )


_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #111; background: #fff; margin: 0; }
main { max-width: 52rem; margin: 0 auto; padding: 1rem; overflow-wrap: anywhere; }
img { width: 100%; height: auto; }
.verdict { font-size: 2rem; font-weight: bold; margin: .2em 0; padding: .2em .5em;
  border: 4px solid #111; }
.leaking { border-style: double; border-width: 10px; }
.not_proven { border-style: dashed; }
.reason { font-size: 1.2rem; }
th { text-align: left; vertical-align: top; padding-right: 1.5em; overflow-wrap: break-word; }
td { overflow-wrap: anywhere; }
@media (max-width: 30rem) {
  th, td { display: block; padding: 0; }
  td { margin-bottom: .5em; }
  .rack { min-width: 30rem; }
  .scroll { overflow-x: auto; }
  h1 { font-size: 1.4rem; }
}
th, td { padding-top: .2em; padding-bottom: .2em; }
.rack { max-width: 44rem; margin: 1rem 0; }
pre { font-size: .75rem; white-space: pre-wrap; }
@media print {
  main { max-width: none; }
  h2, h3 { break-after: avoid; }
  h2.details { break-before: page; }
  tr, img { break-inside: avoid; }
}
"""
