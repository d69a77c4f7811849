"""The pages themselves: shells made of our own files, filled by scripts from the API."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from soakmon import __version__
from soakmon.bench.shop_time import zone_name
from soakmon.cautions import CAUTIONS, NOT_A_SAFETY_DEVICE
from soakmon.page.access import COOKIE
from soakmon.page.door import LEAST_PASSWORD, Door
from soakmon.page.files import add_files, modules_of
from soakmon.page.forms import carb_inputs
from soakmon.page.store import Visitor
from soakmon.page.text import page_texts
from soakmon.texts import language_of, translated

HERE = Path(__file__).parent
# Those that are needed daily stand in a row, the others behind a word.
ROW = {"/": "night", "/curve": "curve", "/start": "start", "/jobs": "jobs"}
MORE = {"/soaks": "soaks", "/trials": "trials", "/benches": "benches", "/bench": "bench"}
VIEWS = {**ROW, **MORE, "/job": "job"}
_SHORTCUTS = ("curve", "jobs")


class Shells:
    """Fills the templates; everything put in is escaped.

    base: path of the page's files; row: views that are linked in a row, more: behind a word.
    """

    def __init__(
        self,
        base: str,
        name: str,
        fuel_g_per_ml: float,
        carbs: int,
        *,
        row: Mapping[str, str] = MappingProxyType(ROW),
        more: Mapping[str, str] = MappingProxyType(MORE),
    ) -> None:
        self.environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.base = base
        self.bench = {
            "name": name, "g_per_ml": fuel_g_per_ml, "carbs": carbs, "zone": zone_name(),
        }  # fmt: skip
        self.environment.globals.update(
            bench=self.bench, version=__version__, row=row, more=more,
            least_password=LEAST_PASSWORD, carb_inputs=carb_inputs(),
        )  # fmt: skip

    def show(
        self, request: Request, view: str, who: Visitor | None, script: str = ""
    ) -> HTMLResponse:
        """A view for somebody (None: not signed in), in the language of their browser."""
        language = language_of(request.headers.get("accept-language", ""))
        page = self.environment.get_template(f"{view}.html").render(
            t=page_texts(language),
            language=language,
            base=f"{self.base}/{language}",
            # What is confirmed is what the bench says, whatever language it is read in.
            cautions=[(caution, translated(caution, language)) for caution in CAUTIONS],
            not_a_safety_device=translated(NOT_A_SAFETY_DEVICE, language),
            view=view,
            who=who,
            modules=modules_of(f"{script or view}.js"),
        )
        return HTMLResponse(page, headers={"Vary": "Accept-Language"})


def add_views(app: FastAPI, door: Door, name: str, fuel_g_per_ml: float, carbs: int) -> None:
    """All pages of a bench, and the files they are made of."""
    shells = Shells(add_files(app), name, fuel_g_per_ml, carbs)
    add_shells(app, door, shells, {path: (view, view) for path, view in VIEWS.items()})


def add_hall_view(app: FastAPI, door: Door, name: str) -> None:
    """The one view of all benches, on a page without a bench."""
    # Without a bench there is no fuel: masses stay in g.
    shells = Shells(add_files(app), name, 1.0, 4, row={}, more={})
    add_shells(app, door, shells, {"/": ("benches", "hall")})


def add_shells(
    app: FastAPI, door: Door, shells: Shells, views: Mapping[str, tuple[str, str]]
) -> None:
    """Views by their path, each a template and a script, behind a sign-in."""
    router = APIRouter(include_in_schema=False)

    def view(request: Request) -> Response:
        if door.is_new:
            return RedirectResponse("/set-up", 303)
        who = door.store.session(request.cookies.get(COOKIE, ""))
        if who is None:
            # Back to where somebody wanted to go, once they have signed in.
            return RedirectResponse(f"/sign-in?to={request.url.path}", 303)
        template, script = views[request.url.path]
        return shells.show(request, template, who, script)

    for path in views:
        router.add_api_route(path, view, methods=["GET"])

    @router.get("/sign-in")
    def sign_in(request: Request) -> Response:
        if door.is_new:
            return RedirectResponse("/set-up", 303)
        return shells.show(request, "sign-in", None, "door")

    @router.get("/set-up")
    def set_up(request: Request) -> Response:
        if not door.is_new:
            return RedirectResponse("/sign-in", 303)
        return shells.show(request, "set-up", None, "door")

    @router.get("/manifest.webmanifest")
    def manifest(request: Request) -> Response:
        language = language_of(request.headers.get("accept-language", ""))
        shortcuts = {path: view for path, (view, _) in views.items() if view in _SHORTCUTS}
        base, texts = f"{shells.base}/{language}", page_texts(language)
        content = _manifest(str(shells.bench["name"]), base, texts, shortcuts)
        headers = {"Vary": "Accept-Language"}
        return JSONResponse(content, media_type="application/manifest+json", headers=headers)

    app.include_router(router)


def _manifest(
    name: str, base: str, texts: Mapping[str, str], shortcuts: Mapping[str, str]
) -> dict[str, Any]:
    """What a phone needs to put the page among its apps."""
    icons = [{"src": f"{base}/icon.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"}]
    for size in (192, 512):
        icon = {"src": f"{base}/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png"}
        icons += [{**icon, "purpose": "any"}, {**icon, "purpose": "maskable"}]
    return {
        "id": "/",
        "name": f"soakmon {name}",
        "short_name": name,
        "description": texts["about"],
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#101418",
        "theme_color": "#101418",
        "icons": icons,
        "shortcuts": [
            {"name": texts[f"{view}_title"], "url": path} for path, view in shortcuts.items()
        ],
    }
