"""The file of judged nights, from which an interrupted measurement goes on."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from soakmon import __version__
from soakmon.app.whole_file import cannot_write, write_whole
from soakmon.capability.evaluate import Result
from soakmon.errors import InputError

_FORMAT = "soakmon.capability-nights/3"


def _header(nights: int, seed: int, *, tight: bool) -> dict[str, Any]:
    header = {"format": _FORMAT, "version": __version__, "nights": nights, "seed": seed}
    return header | ({"tight": True} if tight else {})


def read_nights(
    path: Path | None, nights: int, seed: int, *, tight: bool = False
) -> dict[int, Result]:
    """Nights judged before; a new file gets its header. A torn last line is done again.

    tight: they are only nights without a leak.
    """
    if path is None:
        return {}
    if not path.exists():
        write_whole(path, json.dumps(_header(nights, seed, tight=tight)) + "\n")
        return {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        header = json.loads(lines[0]) if lines else None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: is not a file of judged nights ({error})") from None
    if header != _header(nights, seed, tight=tight):
        raise InputError(
            f"{path}: holds other nights: resume with the same --nights, --seed and version, "
            "or name another file"
        )
    done = dict(_judged_before(path, lines))
    write_whole(path, "".join(f"{line}\n" for line in _lines(header, done.values())))
    return done


def _judged_before(path: Path, lines: list[str]) -> Iterator[tuple[int, Result]]:
    for number, line in enumerate(lines[1:], start=2):
        try:
            result = Result.from_dict(json.loads(line))
        except (ValueError, KeyError, TypeError):
            if number == len(lines):
                return
            raise InputError(f"{path}: line {number} is damaged: delete it and go on") from None
        yield result.index, result


def _lines(header: dict[str, Any], results: Iterable[Result]) -> list[str]:
    return [json.dumps(header), *(json.dumps(result.as_dict()) for result in results)]


def add_night(path: Path | None, result: Result) -> None:
    """Keep a judged night; path None: nowhere."""
    if path is None:
        return
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(result.as_dict()) + "\n")
    except OSError as error:
        raise cannot_write(path, error) from None
