"""The command `soakmon capability`: blind nights over all cores, resumable, told as a table."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from soakmon import __version__
from soakmon.app.capability_nights import run
from soakmon.capability.by_owner import owner_heads, owner_lines
from soakmon.capability.certificate import certificate
from soakmon.capability.evaluate import Result, plan
from soakmon.capability.summary import HEADS, as_dict, detection_lines, error_lines, facts
from soakmon.cli.output import bar
from soakmon.cli.terminal import Terminal
from soakmon.errors import InputError

_FORMAT = "soakmon.capability-nights/3"

out = Terminal()
err = Terminal(stderr=True)


def capability(
    nights: Annotated[int, typer.Option(min=1, max=1_000_000, help="Nights in all.")] = 120,
    seed: Annotated[int, typer.Option(min=0, help="Another set of nights.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON only.")] = False,
    jobs: Annotated[
        int | None, typer.Option(min=1, max=512, help="Processes; default: one per core.")
    ] = None,
    resume: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keep nights here and go on from them.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="Write an HTML page.")
    ] = None,
) -> None:
    """Measure what the decider finds, on blind simulated nights with known leaks."""
    cases = plan(nights, seed)
    done = _read(resume, nights, seed)
    wanted = [case for case in cases if case.index not in done]
    with bar(err, f"judging {nights} nights") as progress:
        for result in run(wanted, jobs or os.cpu_count() or 1):
            done[result.index] = result
            _append(resume, result)
            progress(len(done) / nights)
            _tell(len(done), nights)
    results = [done[index] for index in sorted(done)]
    if page is not None:
        _write(page, certificate(results, version=__version__, seed=seed))
    if as_json:
        sys.stdout.write(json.dumps(as_dict(results)) + "\n")
    else:
        _show(results)


def _tell(done: int, nights: int) -> None:
    """A line now and then where no bar can be drawn."""
    if not err.is_terminal and (done % max(nights // 10, 1) == 0 or done == nights):
        err.print(Text(f"{done} of {nights} nights"))


def _header(nights: int, seed: int) -> dict[str, Any]:
    return {"format": _FORMAT, "version": __version__, "nights": nights, "seed": seed}


def _read(path: Path | None, nights: int, seed: int) -> dict[int, Result]:
    """Nights judged before; a new file gets its header. A torn last line is done again."""
    if path is None:
        return {}
    if not path.exists():
        _write(path, json.dumps(_header(nights, seed)) + "\n")
        return {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        header = json.loads(lines[0]) if lines else None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: is not a file of judged nights ({error})") from None
    if header != _header(nights, seed):
        raise InputError(
            f"{path}: holds other nights: resume with the same --nights, --seed and version, "
            "or name another file"
        )
    done = dict(_judged_before(path, lines))
    _write(path, "".join(f"{line}\n" for line in _lines(header, done.values())))
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


def _append(path: Path | None, result: Result) -> None:
    if path is None:
        return
    _guarded(path, lambda: _add_line(path, json.dumps(result.as_dict()) + "\n"))


def _add_line(path: Path, line: str) -> None:
    with path.open("a", encoding="utf-8") as file:
        file.write(line)


def _write(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")

    def write() -> None:
        part.write_text(text, encoding="utf-8")
        part.replace(path)

    _guarded(path, write)


def _guarded(path: Path, action: Callable[[], object]) -> None:
    try:
        action()
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from None


def _print(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    table = Table(title=title)
    for head in heads:
        table.add_column(head)
    for row in rows:
        table.add_row(*row)
    out.print(table)


def _show(results: list[Result]) -> None:
    title = f"{len(results)} blind simulated nights (invented data)"
    _print(title, HEADS, detection_lines(results))
    _print("by what the owner knows of the bench", owner_heads(results), owner_lines(results))
    for name, value in facts(results):
        out.print(Text.assemble((f"{name}: ", "bold"), value))
    for line in error_lines(results):
        out.print(Text(line))
