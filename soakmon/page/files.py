"""The page's own files under a path that names their content: a browser fetches each only once."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import Scope

from soakmon.page.text import page_texts
from soakmon.texts import LANGUAGES

STATIC = Path(__file__).parent / "static"
_CACHED = "public, max-age=31536000, immutable"
_IMPORT = re.compile(r'from "\./([\w-]+\.js)"')


class _OwnFiles(StaticFiles):
    """Files that never change under their path, with the texts of one language."""

    def __init__(self, language: str) -> None:
        super().__init__(directory=STATIC)
        self.texts = dict(page_texts(language))

    async def get_response(self, path: str, scope: Scope) -> Response:
        if path == TEXTS_NAME:
            body = f"export default {json.dumps(self.texts, ensure_ascii=False)};\n"
            response = Response(body, media_type="text/javascript; charset=utf-8")
        else:
            response = await super().get_response(path, scope)
        if response.status_code == 200:
            response.headers["Cache-Control"] = _CACHED
        return response


TEXTS_NAME = "texts.js"


def fingerprint() -> str:
    """Changes with any of the files or texts."""
    texts = {language: dict(page_texts(language)) for language in LANGUAGES}
    digest = hashlib.sha256(json.dumps(texts).encode())
    for file in sorted(STATIC.iterdir()):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:12]


def modules_of(script: str) -> list[str]:
    """A script's modules, its own first: a browser told of them all fetches them at once."""
    scripts = [script]
    for name in scripts:
        if name != TEXTS_NAME:
            source = (STATIC / name).read_text(encoding="utf-8")
            scripts += [
                script_name for script_name in _IMPORT.findall(source) if script_name not in scripts
            ]
    return scripts


def add_files(app: FastAPI) -> str:
    """Serve them; returns the path they are under, each language by its name."""
    base = f"/static/{fingerprint()}"
    for language in LANGUAGES:
        files = GZipMiddleware(_OwnFiles(language), minimum_size=600)
        app.mount(f"{base}/{language}", files, name=f"static-{language}")
    return base
