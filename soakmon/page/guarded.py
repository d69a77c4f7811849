"""What every application of ours has before its routes: the guard, languages, answers in words."""

from __future__ import annotations

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from soakmon import __version__
from soakmon.bench.api import add_refusals
from soakmon.config import Bench
from soakmon.errors import InputError, TroubleError
from soakmon.page.access import RequestGuard, add_denials, visitor
from soakmon.page.network import names_of
from soakmon.page.packed import Packed
from soakmon.page.speaking import Speaking
from soakmon.page.store import StoreError


def guarded_app(bench: Bench) -> FastAPI:
    """An application without routes but its description, by the names and proxy of [page]."""
    app = FastAPI(
        title="soakmon page",
        version=__version__,
        description="What the page itself uses. Not a safety device.",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    app.add_middleware(Speaking)
    app.add_middleware(Packed, minimum_size=400)
    app.add_middleware(RequestGuard, names=names_of(bench), proxy=bench.page.proxy)
    add_refusals(app)
    add_denials(app)
    app.add_exception_handler(InputError, _no_good)
    app.add_exception_handler(StoreError, _no_use)
    app.add_exception_handler(TroubleError, _no_use)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(HTTPException, _other)

    @app.get("/api/openapi.json", include_in_schema=False, dependencies=[Depends(visitor)])
    def description() -> JSONResponse:
        return JSONResponse(app.openapi())

    return app


async def _not_understood(_: Request, error: Exception) -> JSONResponse:
    """One line per problem, without the input: it may hold what cannot be sent back."""
    errors = error.errors() if isinstance(error, RequestValidationError) else []
    lines = [
        f"{'.'.join(str(part) for part in problem['loc'])}: {problem['msg']}" for problem in errors
    ]
    text = "; ".join(lines[:10])
    return JSONResponse({"problem": text.encode("utf-8", "replace").decode("utf-8")}, 422)


async def _no_good(_: Request, error: Exception) -> JSONResponse:
    """Input that the records refuse, in their own words."""
    return JSONResponse({"problem": str(error)}, 422)


async def _no_use(_: Request, error: Exception) -> JSONResponse:
    """Trouble with page.db or the disk: in words, and not as a traceback for each call."""
    return JSONResponse({"problem": str(error)}, 503)


async def _gone(_: Request, __: Exception) -> JSONResponse:
    """Who sends no more of a body is told nothing: nobody listens."""
    return JSONResponse({"problem": "the body is cut short"}, 422)


async def _other(_: Request, error: Exception) -> JSONResponse:
    """No such place or method; a body that is not even text is one that is not understood."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    detail = error.detail if isinstance(error, HTTPException) else "failed"
    headers = error.headers if isinstance(error, HTTPException) else None
    return JSONResponse({"problem": detail}, 422 if status == 400 else status, headers)
