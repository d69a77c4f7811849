"""Recorded runs as CSV: strict reading with one clear error, and writing.

The form: header `t_s,mass_g,air_c,drops_1,…,drops_N`, optional columns `fuel_c`, `feed_open`,
`valve` (which is ignored) and `block_ms_i` of any gate (how long its beam was dark); blank cells
are missing values; lines that begin with # are comments.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from soakmon.errors import InputError
from soakmon.watch.rows import Floats, Rows

MOST_GATES = 8
_FIXED = ("t_s", "mass_g", "air_c")
_OPTIONAL = ("fuel_c", "feed_open", "valve")
_LEAST_SPACING_S = 0.099
# A net mass a little under zero is zero drift of an empty bottle; more is a wrong tare. Single
# readings below it are spikes, or a bottle that is off the cell while it is filled.
_LEAST_MASS_G, _MOST_MASS_G = -1.0, 200_000.0
_END_S = 3600.0
# Beyond what any recording is of: a soak is at most a week, and 28 drops fall in a second.
_LATEST_S, _LONGEST_S = 1e10, 100 * 86400.0
_MOST_DROPS, _LONGEST_BLOCK_MS = 100_000, 1e8
_COLDEST_C, _WARMEST_C = -60.0, 90.0
_LONGEST_LINE = 4096
_BLOCK = 20_000


def read_run(path: Path, stream: BinaryIO | None = None) -> Rows:
    """Read a recorded run; `stream` is read instead of the path when given (a pipe).

    Raises InputError naming file, line and column for anything that breaks the form.
    """
    try:
        if stream is not None:
            return _read(_Lines(stream, path))
        with path.open("rb") as file:
            return _read(_Lines(file, path))
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give a recorded run (CSV)") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None


class _Lines:
    """Numbered, decoded lines without comments; knows its place for error messages."""

    def __init__(self, file: BinaryIO, path: Path) -> None:
        self.file = file
        self.path = path
        self.number = 0
        self.first_s: float | None = None
        self.first_below: int | None = None

    def __iter__(self) -> Iterator[tuple[int, str]]:
        while True:
            raw = self.file.readline(_LONGEST_LINE + 1)
            if not raw:
                return
            self.number += 1
            if len(raw) > _LONGEST_LINE or b"\0" in raw:
                raise self.error("is not text: this is not a recorded run")
            try:
                line = raw.decode("utf-8-sig" if self.number == 1 else "utf-8").strip()
            except UnicodeDecodeError:
                raise self.error("is not UTF-8 text: save the file as plain CSV") from None
            if line and not line.startswith("#"):
                yield self.number, line

    def error(self, text: str, line: int | None = None, column: str | None = None) -> InputError:
        """An error at a line (the current one when None) and column."""
        where = f"line {line or self.number}" + (f", column {column}" if column else "")
        return InputError(f"{self.path}: {where}: {text}")


def _read(lines: _Lines) -> Rows:
    numbered = iter(lines)
    first = next(numbered, None)
    if first is None:
        raise InputError(f"{lines.path}: is empty: expected a header t_s,mass_g,air_c,drops_1,…")
    columns = _header(lines, first[1])
    blocks, last_s = [], -math.inf
    while block := list(itertools.islice(numbered, _BLOCK)):
        values = _block(lines, columns, block)
        _check(lines, columns, block, values, last_s)
        last_s = float(values[-1, 0])
        blocks.append(values)
    if sum(len(values) for values in blocks) < 2:
        raise InputError(f"{lines.path}: has no rows to judge: a run needs at least two")
    values = np.concatenate(blocks)
    _check_tare(lines, values)
    return _rows(columns, values)


def _check_tare(lines: _Lines, values: Floats) -> None:
    """Raise for a mass that lies below zero on the whole, or in the end."""
    late = values[:, 0] >= values[-1, 0] - _END_S
    for mass_g, when in ((values[:, 1], "half of the readings"), (values[late, 1], "the end")):
        known = mass_g[np.isfinite(mass_g)]
        if len(known) and np.median(known) < _LEAST_MASS_G:
            text = f"{np.median(known):g}: the net mass is negative in {when}"
            text += ": tare with the empty bottle"
            raise lines.error(text, lines.first_below, "mass_g")


def _header(lines: _Lines, line: str) -> list[str]:
    columns = [name.strip() for name in line.split(",")]
    expected = "expected t_s,mass_g,air_c,drops_1,…,drops_N with optional fuel_c,feed_open,valve"
    if "," not in line and (";" in line or "\t" in line):
        parted = "semicolons" if ";" in line else "tabs"
        raise lines.error(
            f"the columns are separated by {parted}: export it with commas, and points in numbers"
        )
    for name in _FIXED:
        if name not in columns:
            raise lines.error(f"the header has no column {name}: {expected}")
    if tuple(columns[:3]) != _FIXED:
        raise lines.error(f"the header must begin with t_s,mass_g,air_c: {expected}")
    blocks = [name for name in columns[3:] if re.fullmatch(r"block_ms_\d+", name)]
    gates = [name for name in columns[3:] if name not in {*_OPTIONAL, *blocks}]
    for place, name in enumerate(gates, start=1):
        if not re.fullmatch(r"drops_\d+", name):
            raise lines.error(f"unknown column {name!r}: {expected}")
        if name != f"drops_{place}":
            raise lines.error(f"column {name} stands where drops_{place} belongs", column=name)
    for name in blocks:
        if name.replace("block_ms", "drops") not in gates:
            raise lines.error(f"there is no drop column for {name}", column=name)
    if len(set(columns)) != len(columns):
        raise lines.error("the header names a column twice")
    if len(gates) > MOST_GATES:
        raise lines.error(f"{len(gates)} drop columns: at most {MOST_GATES} gates are supported")
    return columns


def _block(lines: _Lines, columns: list[str], block: list[tuple[int, str]]) -> Floats:
    """Cells of some lines as numbers, (n, columns); blank cells are NaN."""
    cells: list[list[str]] = []
    for number, line in block:
        row = line.split(",")
        if len(row) != len(columns):
            problem = f"{len(row)} cells instead of {len(columns)}: the line is cut short or broken"
            raise lines.error(problem, number)
        cells.append(row)
    try:
        values = np.array([[float(c) if c else math.nan for c in row] for row in cells])
    except ValueError:
        values = np.array(
            [
                [_number(lines, columns, n, i, c) for i, c in enumerate(row)]
                for (n, _), row in zip(block, cells, strict=True)
            ]
        )
    bad = ~np.isfinite(values)
    if bad.any():
        for row_at, place in np.argwhere(bad):
            if cells[row_at][place].strip():
                text = f"{cells[row_at][place].strip()!r} is not a finite number"
                raise lines.error(text, block[row_at][0], columns[place])
    return values


def _number(lines: _Lines, columns: list[str], number: int, place: int, cell: str) -> float:
    if not cell.strip():
        return math.nan
    try:
        return float(cell)
    except ValueError:
        text = f"{cell.strip()!r} is not a number (leave the cell blank if the value is missing)"
        raise lines.error(text, number, columns[place]) from None


def _check(
    lines: _Lines,
    columns: list[str],
    block: list[tuple[int, str]],
    values: Floats,
    last_s: float,
) -> None:
    """Raise for the first value that cannot be."""
    first_s = lines.first_s = float(values[0, 0]) if lines.first_s is None else lines.first_s
    below = np.flatnonzero(values[:, 1] < _LEAST_MASS_G)
    if len(below) and lines.first_below is None:
        lines.first_below = block[below[0]][0]
    checks = [(0, *stretch) for stretch in _of_time(values[:, 0], first_s, last_s)]
    too_heavy = np.abs(values[:, 1]) > _MOST_MASS_G
    checks.append((1, too_heavy, "the mass is too large to be a bottle of fuel in grams"))
    for place, name in enumerate(columns):
        checks += [(place, *stretch) for stretch in _of_column(name, values[:, place])]
    for place, wrong, text in checks:
        if wrong.any():
            at = int(np.argmax(wrong))
            shown = values[at, place]
            value_shown = "blank" if math.isnan(shown) else f"{shown:g}"
            raise lines.error(f"{value_shown}: {text}", block[at][0], columns[place])


def _of_time(t_s: Floats, first_s: float, last_s: float) -> list[tuple[NDArray[np.bool_], str]]:
    """Where times are wrong, and how; last_s: of the block before."""
    spacing = np.diff(t_s, prepend=last_s)
    return [
        (~(spacing > 0), "time must increase from row to row (and may not be blank)"),
        (spacing < _LEAST_SPACING_S, "rows must be at least 0.1 s apart"),
        (np.abs(t_s) > _LATEST_S, "not a time in seconds of a recorded run"),
        (t_s - first_s > _LONGEST_S, "more than 100 days after the first row"),
    ]


def _of_column(name: str, column: Floats) -> list[tuple[NDArray[np.bool_], str]]:
    """Where values of a column are wrong, and how."""
    if name in {"air_c", "fuel_c"}:
        wrong = (column < _COLDEST_C) | (column > _WARMEST_C)
        return [(wrong, "not a temperature in °C that a shop can have")]
    if name.startswith("drops_"):
        wrong = (column < 0) | (column != np.floor(column)) & np.isfinite(column)
        return [
            (wrong, "drops are counts: whole numbers from 0"),
            (column > _MOST_DROPS, "more drops than fall in 10 minutes"),
        ]
    if name.startswith("block_ms_"):
        wrong = (column < 0) | (column > _LONGEST_BLOCK_MS)
        return [(wrong, "not a time in ms that a beam was dark")]
    if name == "feed_open":
        wrong = np.isfinite(column) & (column != 0) & (column != 1)
        return [(wrong, "feed_open is 0 (shut) or 1 (open)")]
    return []


def _rows(columns: list[str], values: Floats) -> Rows:
    def optional(name: str) -> Floats | None:
        return values[:, columns.index(name)] if name in columns else None

    gates = [i for i, name in enumerate(columns) if name.startswith("drops_")]
    return Rows(
        values[:, 0].copy(),
        values[:, 1].copy(),
        values[:, 2].copy(),
        values[:, gates].copy(),
        optional("fuel_c"),
        optional("feed_open"),
        _blocks(columns, values, len(gates)),
    )


def _blocks(columns: list[str], values: Floats, gates: int) -> Floats | None:
    """(n, N) the columns block_ms_1 to block_ms_N; NaN where one is not there."""
    names = [f"block_ms_{gate + 1}" for gate in range(gates)]
    if not set(names) & set(columns):
        return None
    blocks = np.full((len(values), gates), math.nan)
    for gate, name in enumerate(names):
        if name in columns:
            blocks[:, gate] = values[:, columns.index(name)]
    return blocks


def write_run(path: Path, rows: Rows, comments: tuple[str, ...] = ()) -> None:
    """Write rows as a recorded run; the file appears whole or not at all."""
    names = [*_FIXED, *(f"drops_{gate + 1}" for gate in range(rows.gates))]
    names += [name for name in ("fuel_c", "feed_open") if getattr(rows, name) is not None]
    if rows.block_ms is not None:
        names += [f"block_ms_{gate + 1}" for gate in range(rows.gates)]
    part = path.with_name(path.name + ".part")
    with part.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(f"# {comment}\n" for comment in comments)
        file.write(",".join(names) + "\n")
        for start in range(0, len(rows), _BLOCK):
            file.writelines(_lines(rows.part(start, start + _BLOCK)))
    part.replace(path)


def _lines(rows: Rows) -> Iterator[str]:
    columns = [_cells(rows.t_s, 3), _cells(rows.mass_g, 4), _cells(rows.air_c, 4)]
    columns += [_cells(rows.drops[:, gate], 0) for gate in range(rows.gates)]
    for column, digits in ((rows.fuel_c, 4), (rows.feed_open, 0)):
        if column is not None:
            columns.append(_cells(column, digits))
    if rows.block_ms is not None:
        columns += [_cells(rows.block_ms[:, gate], 3) for gate in range(rows.gates)]
    return (",".join(cells) + "\n" for cells in zip(*columns, strict=True))


def _cells(column: Floats, digits: int) -> list[str]:
    return ["" if v != v else f"{v:.{digits}f}" for v in column.tolist()]  # noqa: PLR0124 - NaN
