"""The pages themselves: shells made of our own files, filled by scripts from the API."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.types import Scope

from soakmon import __version__
from soakmon.cautions import CAUTIONS, NOT_A_SAFETY_DEVICE
from soakmon.page.access import COOKIE
from soakmon.page.door import LEAST_PASSWORD, Door
from soakmon.page.store import Visitor
from soakmon.page.text import LANGUAGE, TEXTS

HERE = Path(__file__).parent
VIEWS = {"/": "night", "/curve": "curve", "/start": "start", "/soaks": "soaks", "/bench": "bench"}


class _OwnFiles(StaticFiles):
    """Static files, asked for anew after an update."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        return response


class Shells:
    """Fills the templates; everything put in is escaped."""

    def __init__(self, name: str, fuel_g_per_ml: float, carbs: int) -> None:
        self.environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.bench = {"name": name, "g_per_ml": fuel_g_per_ml, "carbs": carbs}

    def show(self, view: str, who: Visitor | None, **more: Any) -> HTMLResponse:
        """A view for somebody (None: not signed in)."""
        # "<" cannot end the script element that holds the texts.
        texts = json.dumps(TEXTS).replace("<", "\\u003c")
        values = {
            "t": TEXTS, "texts": texts, "language": LANGUAGE, "view": view, "who": who,
            "bench": self.bench, "version": __version__, "cautions": CAUTIONS,
            "not_a_safety_device": NOT_A_SAFETY_DEVICE, "least_password": LEAST_PASSWORD,
        }  # fmt: skip
        page = self.environment.get_template(f"{view}.html").render(values | more)
        return HTMLResponse(page)


def add_views(app: FastAPI, door: Door, shells: Shells) -> None:
    """All pages, and the files they are made of."""
    router = APIRouter(include_in_schema=False)

    def view(request: Request) -> Response:
        if door.is_new:
            return RedirectResponse("/set-up", 303)
        who = door.store.session(request.cookies.get(COOKIE, ""))
        if who is None:
            return RedirectResponse("/sign-in", 303)
        return shells.show(VIEWS[request.url.path], who)

    for path in VIEWS:
        router.add_api_route(path, view, methods=["GET"])

    @router.get("/sign-in")
    def sign_in() -> Response:
        return RedirectResponse("/set-up", 303) if door.is_new else shells.show("sign-in", None)

    @router.get("/set-up")
    def set_up() -> Response:
        return shells.show("set-up", None) if door.is_new else RedirectResponse("/sign-in", 303)

    @router.get("/manifest.webmanifest")
    def manifest() -> Response:
        return JSONResponse(_manifest(shells.bench["name"]), media_type="application/manifest+json")

    app.include_router(router)
    app.mount("/static", _OwnFiles(directory=HERE / "static"), name="static")


def _manifest(name: Any) -> dict[str, Any]:
    """What a phone needs to put the page among its apps."""
    icon = {"src": "/static/icon.svg", "sizes": "any", "type": "image/svg+xml"}
    return {
        "name": f"soakmon {name}",
        "short_name": "soakmon",
        "description": TEXTS["about"],
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#101418",
        "theme_color": "#101418",
        "icons": [{**icon, "purpose": "any"}, {**icon, "purpose": "maskable"}],
    }
