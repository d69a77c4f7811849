"""Reports of past soaks, and links that show one report to somebody without an account."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Request
from fastapi import Path as FromPath
from fastapi.responses import FileResponse, HTMLResponse, Response
from pydantic import BaseModel, Field

from soakmon.bench.api import Body
from soakmon.bench.refusals import answers
from soakmon.bench.service import Service
from soakmon.page.access import DeniedError, runs, visitor
from soakmon.page.ports import ReportSource
from soakmon.page.store import Store
from soakmon.page.text import page_texts
from soakmon.records.journal import Journal
from soakmon.records.soak_context import SoakContext, context_in
from soakmon.report.words import tied
from soakmon.texts import language_of, say

FileName = Literal[
    "report.html", "report.pdf", "verdict.json", "readings.csv", "soak.png", "soak.svg"
]
Number = Annotated[int, FromPath(ge=1, le=2**62)]
_TYPES = {
    "report.html": "text/html; charset=utf-8",
    "report.pdf": "application/pdf",
    "verdict.json": "application/json",
    "readings.csv": "text/csv; charset=utf-8",
    "soak.png": "image/png",
    "soak.svg": "image/svg+xml",
}
# A report is a page of its own: its style and picture are inside it, and it runs nothing.
_POLICY = "default-src 'none'; style-src {style}; img-src data:; sandbox; frame-ancestors 'self'"
_STYLE = re.compile(rb"<style>(.*?)</style>", re.DOTALL)


class ReportState(BaseModel):
    """Where a report stands; asking makes it when it is missing."""

    state: Literal["ready", "making", "failed"]
    files: list[str]
    tied: str = Field(default="", description="the job's soak before, what was renewed, and now")


class Share(Body):
    """For how long a link shows the report."""

    days: int = Field(default=14, ge=1, le=365)


class ReportLink(BaseModel):
    """A link to one report; the path is shown only now."""

    path: str
    expires_wall_s: float


def _ended(service: Service, soak: int) -> str:
    """How it is tied to the job's soak before; 404 when it is not known, 409 while it runs."""
    journal = Journal(service.journal.path)
    try:
        entries = [entry for entry in journal.soaks() if entry.id == soak]
        context = context_in(journal.read_events(soak)) if entries else SoakContext()
    finally:
        journal.close()
    if not entries:
        raise DeniedError(404, say("report.there_no_soak", soak=soak))
    verdict = entries[0].verdict
    if entries[0].ended_t_s is None or verdict is None:
        raise DeniedError(409, say("report.soak_has_not_ended_its"))
    return tied(context.before, context.renewed, context.renewed_before, verdict.to_verdict())


def _file(reports: ReportSource, soak: int, name: FileName) -> FileResponse:
    path = reports.path(soak) / name
    if reports.state(soak) != "ready" or not path.is_file():
        raise DeniedError(404, say("report.report_has_not_been_made"))
    headers = {}
    if name in {"report.html", "soak.svg"}:
        headers = {"Content-Security-Policy": _POLICY.format(style=_style_of(path))}
    return FileResponse(path, media_type=_TYPES[name], headers=headers)


def _style_of(path: Path) -> str:
    """The file's own style sheets by their hashes: no other style takes effect."""
    styles = _STYLE.findall(path.read_bytes())
    hashes = [base64.b64encode(hashlib.sha256(style).digest()).decode() for style in styles]
    return " ".join(f"'sha256-{digest}'" for digest in hashes) or "'none'"


def report_routes(service: Service, reports: ReportSource, store: Store) -> APIRouter:
    """Reports for those who may look; links for those who may run."""
    router = APIRouter(prefix="/api/soaks/{soak}", tags=["reports"])
    looks = [Depends(visitor)]
    acts = [Depends(runs)]

    @router.get(
        "/report",
        summary="Where the report stands; makes it when missing",
        dependencies=looks,
        responses=answers(401, 404, 409, 422),
    )
    def state(soak: Number) -> ReportState:
        before = _ended(service, soak)
        found = reports.state(soak)
        if found == "missing":
            reports.make(soak)
            found = "making"
        names = [name for name in _TYPES if (reports.path(soak) / name).is_file()]
        return ReportState(state=found, files=names if found == "ready" else [], tied=before)

    @router.get(
        "/report/{name}",
        summary="A file of the report",
        dependencies=looks,
        response_class=Response,
        responses=answers(401, 404, 422)
        | {200: {"description": "the file", "content": {t: {} for t in _TYPES.values()}}},
    )
    def file(soak: Number, name: FileName) -> FileResponse:
        return _file(reports, soak, name)

    @router.post(
        "/link",
        summary="A link that shows this report to anybody who has it",
        dependencies=acts,
        responses=answers(401, 403, 404, 409, 413, 422),
    )
    def share(soak: Number, body: Share) -> ReportLink:
        _ended(service, soak)
        if reports.state(soak) == "missing":
            reports.make(soak)
        secret, expires_s = store.make_link(soak, body.days)
        return ReportLink(path=f"/shared/{secret}", expires_wall_s=expires_s)

    @router.delete(
        "/link",
        summary="Revoke all links to this report",
        dependencies=acts,
        responses=answers(401, 403, 422),
    )
    def revoke(soak: Number) -> dict[str, int]:
        return {"revoked": store.revoke_links(soak)}

    return router


def shared_routes(reports: ReportSource, store: Store) -> APIRouter:
    """The page behind a link: one report, nothing else, no account."""
    router = APIRouter(include_in_schema=False)

    @router.get("/shared/{secret}")
    def shared(secret: str, request: Request) -> Response:
        soak = store.linked(secret)
        if soak is None:
            return HTMLResponse(_plain(request, "link_over"), 404)
        if reports.state(soak) != "ready":
            reports.make(soak)
            return HTMLResponse(_plain(request, "report_making"), 503, {"Retry-After": "20"})
        return _file(reports, soak, "report.html")

    return router


def _plain(request: Request, key: str) -> str:
    """A page of one sentence, for somebody without an account."""
    language = language_of(request.headers.get("accept-language", ""))
    return (
        f'<!DOCTYPE html><html lang="{language}"><meta charset="utf-8"><title>soakmon</title>'
        '<meta name="viewport" content="width=device-width">'
        f"<main><p>{page_texts(language)[key]}</p></main></html>"
    )
