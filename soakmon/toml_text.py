"""TOML that people write: read with bounds, and told briefly when it is no such thing."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from soakmon.errors import InputError

# What a file of ours holds at the very most, with a comment to each key: some kB.
MOST_BYTES = 200_000


def read_text(path: Path) -> str:
    """The text of a file. Raises InputError, also when there is no end to it."""
    try:
        with path.open("rb") as file:
            held = file.read(MOST_BYTES + 1)
        _check_size(held, str(path))
        return held.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None


def table_of(text: str, name: str) -> dict[str, Any]:
    """What a TOML text holds. Raises InputError, one line, for anything else."""
    _check_size(text.encode("utf-8", "surrogatepass"), name)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{name}: is not TOML: {error}") from None
    except RecursionError:
        raise InputError(f"{name}: is nested too deep: it should have tables of keys") from None
    except ValueError:
        # The parser leaves numbers and dates to Python, which has limits of its own.
        raise InputError(f"{name}: holds a number that is too long to be one") from None


def _check_size(held: bytes, name: str) -> None:
    if len(held) > MOST_BYTES:
        raise InputError(
            f"{name}: is larger than {MOST_BYTES // 1000} kB, which no such file is: give the "
            "right one"
        )
