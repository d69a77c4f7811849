"""bench.toml as a text: read and checked, a line for each problem; written with all explained."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import ValidationError

from soakmon.config import PRIVATE, Bench
from soakmon.errors import InputError
from soakmon.toml_text import read_text, table_of

_MOST_PROBLEMS = 10
_MOST_SHOWN = 60


def read_bench(path: Path) -> Bench:
    """Read and check a bench.toml. Raises InputError with one line per problem."""
    return parse_bench(read_text(path), str(path))


def parse_bench(text: str, name: str = "bench.toml") -> Bench:
    """The bench that a TOML text describes. Raises InputError with one line per problem."""
    table = table_of(text, name)
    try:
        return Bench.model_validate(table)
    except ValidationError as error:
        errors = error.errors(include_url=False)
        lines = [_line(name, problem) for problem in errors[:_MOST_PROBLEMS]]
        if len(errors) > _MOST_PROBLEMS:
            lines.append(f"{name}: and {len(errors) - _MOST_PROBLEMS} more like these")
        raise InputError("\n".join(lines)) from None


def _line(name: str, problem: Any) -> str:
    where = ".".join(_brief(str(part)) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        return f"{name}: {where}: unknown key{_near(problem['loc'])}"
    text = problem["msg"].removeprefix("Value error, ")
    got = problem.get("input")
    # Words in a private section may be an address with its password.
    plain = (int, float) if problem["loc"] and problem["loc"][0] in PRIVATE else (int, float, str)
    shown = f" (got {_got(got)})" if isinstance(got, plain) else ""
    return f"{name}: {where + ': ' if where else ''}{text[0].lower()}{text[1:]}{shown}"


def _got(value: float | str) -> str:
    """A value that was given, no longer than helps."""
    if isinstance(value, int) and value.bit_length() > 4 * _MOST_SHOWN:
        return "a number of many digits"
    return _brief(repr(value))


def _brief(text: str) -> str:
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + "…"


def _near(place: tuple[Any, ...]) -> str:
    """A guess at what an unknown key was meant to be."""
    model: Any = Bench
    for part in place[:-1]:
        model = model.model_fields[part].annotation
    keys = list(model.model_fields)
    near = difflib.get_close_matches(str(place[-1])[:_MOST_SHOWN], keys, n=1, cutoff=0.5)
    return f": did you mean {near[0]}?" if near else f": there are {', '.join(keys)}"


def example_toml(known: Mapping[str, str] | None = None) -> str:
    """A bench.toml that holds every key with its default, explained.

    known: what is known already, by "section.key".
    """
    known = known or {}
    lines = ["# The bench of soakmon. Every key is optional; these are the defaults.", ""]
    for name, section in Bench.model_fields.items():
        model: Any = section.annotation
        about = " ".join(str(model.__doc__).split())
        lines += [f"# {about}", f"[{name}]"]
        for key, field in model.model_fields.items():
            value = known.get(f"{name}.{key}", field.default)
            lines.append(_entry(key, value, field.description))
        lines.append("")
    return "\n".join(lines)


def _entry(key: str, default: Any, description: str) -> str:
    if default is None:
        return f"# {key} =   # {description}"
    value = tomli_w.dumps({key: default}).strip().partition(" = ")[2]
    value = " ".join(value.replace(",\n]", "]").replace("[\n", "[").split())
    return f"{key} = {value}  # {description}"
