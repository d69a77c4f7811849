"""What a refused or failed call answers: one body, and one text for each code."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

_TEXTS = {
    401: "not signed in",
    403: "not allowed",
    404: "there is none",
    409: "not possible now",
    413: "the body is too large",
    422: "not understood",
    429: "too many wrong tries: wait",
    503: "the service does not answer",
}


class Problem(BaseModel):
    """Why a call was refused or failed."""

    problem: str


def answers(*codes: int) -> dict[int | str, dict[str, Any]]:
    """Refusals of a route, for its description."""
    return {code: {"model": Problem, "description": _TEXTS[code]} for code in codes}


# Of every command of the bench.
REFUSALS = answers(409, 503)
