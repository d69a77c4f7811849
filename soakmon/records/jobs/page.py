"""A job as one page that any browser opens."""

from __future__ import annotations

from collections.abc import Collection
from html import escape as html_escape

from soakmon.cautions import CAUTIONS
from soakmon.records.jobs.fields import CarbFields, height_within
from soakmon.records.jobs.job_form import (
    AttachmentForm,
    CarbForm,
    CheckForm,
    CorrectionForm,
    JobForm,
    NoteForm,
    ResultForm,
)
from soakmon.records.jobs.text import inert

_MOST_READINGS = 40
_OPENS = (".pdf", ".txt", ".csv", ".json")


def job_page(job: JobForm, pictures: Collection[str] = ()) -> str:
    """The page; `job` is the content of job.json. Links are relative to it.

    pictures: files that are pictures by what they hold, whatever they are called.
    """
    title = f"Job {job['number']}"
    facts = (("Customer", job["customer"]), ("Machine", job["machine"]), ("Rack", job["rack"]))
    rows = "".join(_row(name, value) for name, value in facts)
    rows += _row("Made", _when(job["created"]))
    cautions = "".join(f"<li>{escape(line)}</li>" for line in CAUTIONS)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>{escape(title)}</h1>
<table>{rows}</table>
<h2>Results</h2>
{_list([_result(entry) for entry in job["results"]])}
<h2>Carburettors</h2>
{"".join(_carb(entry) for entry in job["carbs"])}
<h2>Checklist</h2>
{_list([_check(entry) for entry in job["checklist"]])}
<h2>Notes</h2>
{_list([_note(entry) for entry in job["notes"]])}
<h2>Files</h2>
{_list([_file(entry, pictures) for entry in job["attachments"]])}
<h2>Put right later</h2>
{_list([_correction(entry) for entry in job["corrections"]])}
<h2>Cautions</h2>
<ul>{cautions}</ul>
<p class="small">Everything as data: <a href="job.json">job.json</a>. Hashes of all files:
<a href="SHA256SUMS">SHA256SUMS</a>.</p>
</main>
</body>
</html>
"""


def _row(name: str, value: object) -> str:
    return f'<tr><th scope="row">{escape(name)}</th><td>{escape(str(value))}</td></tr>'


def _list(items: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{i}</li>" for i in items) + "</ul>" if items else "<p>none</p>"


def _carb(carb: CarbForm) -> str:
    known = {k: v for k, v in carb.items() if k not in {"place", "jets"} and v is not None}
    rows = [_row(f"jet {name}", size) for name, size in carb["jets"].items()]
    rows += [_row(_label(name), _in_words(value)) for name, value in known.items()]
    fields = {name: value for name, value in carb.items() if name != "place"}
    if height_within(CarbFields.model_validate(fields)) is False:
        rows.append(_row("float height", "OUTSIDE ITS LIMITS"))
    body = f"<table>{''.join(rows)}</table>" if rows else "<p>nothing written down</p>"
    return f"<h3>Carb {carb['place']}</h3>{body}"


def _label(name: str) -> str:
    """A field's name in words, its unit in brackets."""
    stem, _, unit = name.rpartition("_")
    words = f"{stem} ({unit})" if unit in {"mm", "turns"} and stem != "mixture" else name
    return words.replace("_", " ").replace("oring", "O-ring").replace("cutoff", "cut-off")


def _when(iso: str) -> str:
    """A time of the record as people write it; kept in UTC."""
    return f"{iso[:10]} {iso[11:16]} UTC"


def _in_words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _check(check: CheckForm) -> str:
    task = escape(check["task"])
    if check["done_by"] is None or check["done_at"] is None:
        return f"☐ {task}"
    return f"☑ {task} – {escape(check['done_by'])}, {escape(_when(check['done_at']))}"


def _note(note: NoteForm) -> str:
    who = f", {escape(note['written_by'])}:" if note["written_by"] else ""
    where = f" carb {note['carb']}:" if note["carb"] else ""
    return f"{escape(_when(note['at']))}{who}{where} {escape(note['text'])}"


def _correction(correction: CorrectionForm) -> str:
    what = (
        _label(correction["field"])
        if correction["place"] is None
        else f"{correction['part']} {correction['place']}"
    )
    if correction["part"] == "carb":
        what += f", {_label(correction['field'])}"
    was = f"“{correction['before']}” is now “{correction['after']}”"
    return escape(f"{_when(correction['at'])}, {correction['by_whom']}: {what}: {was}")


def _result(result: ResultForm) -> str:
    link = f' (<a href="{escape(result["csv"])}">readings</a>)' if "csv" in result else ""
    kind = escape(result["kind"].replace("_", " "))
    text = f"{escape(_when(result['at']))} {kind}: {escape(result['summary'])}"
    return text + link + _readings(result.get("data", {}).get("readings"))


def _readings(rows: object) -> str:
    """The readings of a bench test as a table, where they are few and plain."""
    plain = isinstance(rows, list) and 0 < len(rows) <= _MOST_READINGS
    if not plain or not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
        return ""
    names = list(dict.fromkeys(str(name) for row in rows for name in row))
    head = "".join(f'<th scope="col">{escape(name.replace("_", " "))}</th>' for name in names)
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(_short(row.get(n)))}</td>' for n in names)}</tr>"
        for row in rows
    )
    # Wider than a phone: it scrolls by itself, with the keyboard too.
    opened = '<div class="wide" tabindex="0" role="group" aria-label="readings"><table>'
    return f"{opened}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"


def _short(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.4g}" if isinstance(value, float) else _in_words(value)


def _file(attachment: AttachmentForm, pictures: Collection[str]) -> str:
    """A link; what a browser would run is offered for keeping instead, but for our own report."""
    ours = attachment["result"] is not None and attachment["name"] in {"report.html", "soak.svg"}
    shown = attachment["file"] in pictures or attachment["file"].lower().endswith(_OPENS) or ours
    keep = "" if shown else " download"
    name, caption = escape(attachment["name"]), escape(attachment["caption"])
    link = f'<a href="{escape(attachment["file"])}"{keep}>{name}</a> {caption}'
    if attachment["file"] in pictures:
        link += f'<br><img src="{escape(attachment["file"])}" alt="{caption or name}">'
    return link


def escape(text: str) -> str:
    """Text for the page, with what steers as its code."""
    return html_escape(inert(text, lines=True))


_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #111; background: #fff; margin: 0; }
main { max-width: 52rem; margin: 0 auto; padding: 1rem; overflow-wrap: anywhere; }
img { max-width: 100%; height: auto; border: 1px solid #bbb; }
th, td { text-align: left; vertical-align: top; padding-right: 1.5em; }
th { overflow-wrap: break-word; }
td { overflow-wrap: anywhere; }
.wide td { overflow-wrap: normal; }
.wide { overflow-x: auto; margin: .3em 0 .8em; font-size: .85rem; }
@media print { h2, h3 { break-after: avoid; } table, img { break-inside: avoid; } }
.small { font-size: .8rem; color: #444; }
"""
