"""Recorded runs: what is written reads back; what breaks the form gives one clear line."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.record import simulate
from sim.scenarios import SCENARIOS
from soakmon.errors import InputError
from soakmon.records.run_file import read_run, write_run
from soakmon.watch.decide import decide
from soakmon.watch.settings import Settings

GOOD = "t_s,mass_g,air_c,drops_1,drops_2\n0,300,20,0,0\n1,299.9,,1,\n"


def read(text: str | bytes):
    raw = text.encode() if isinstance(text, str) else text
    return read_run(Path("run.csv"), io.BytesIO(raw))


def attempt(text: str | bytes):
    try:
        return read(text), ""
    except InputError as problem:
        return None, str(problem)


def test_a_run_reads():
    rows = read("# a comment\n" + GOOD)
    assert rows.gates == 2
    assert rows.mass_g.tolist() == [300, 299.9]
    assert np.isnan(rows.air_c[1])
    assert np.isnan(rows.drops[1, 1])
    assert rows.feed_open is None


def test_optional_columns_and_the_ignored_one():
    rows = read(
        "t_s,mass_g,air_c,feed_open,fuel_c,valve\n0,300,20,1,19,open\n1,300,20,0,19,shut\n".replace(
            "open\n1", "1\n1"
        ).replace("shut", "0")
    )
    assert rows.gates == 0
    assert rows.feed_open is not None
    assert rows.feed_open.tolist() == [1, 0]
    assert rows.fuel_c is not None


def test_how_long_a_beam_was_dark_reads_and_writes(tmp_path):
    rows = read("t_s,mass_g,air_c,drops_1,drops_2,block_ms_2\n0,300,20,0,1,4.125\n1,300,20,1,0,\n")
    assert rows.gates == 2
    assert rows.block_ms is not None
    assert np.array_equal(rows.block_ms, [[np.nan, 4.125], [np.nan, np.nan]], equal_nan=True)
    write_run(tmp_path / "run.csv", rows)
    again = read_run(tmp_path / "run.csv")
    assert np.array_equal(again.block_ms, rows.block_ms, equal_nan=True)
    assert rows.part(1, 2).block_ms.shape == (1, 2)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("t_s,mass_g,air_c,drops_1,block_ms_2\n0,300,20,0,4\n1,300,20,0,4\n", "block_ms_2"),
        ("t_s,mass_g,air_c,drops_1,block_ms_1\n0,300,20,0,-4\n1,300,20,0,4\n", "not a time in ms"),
    ],
)
def test_a_block_without_gate_or_length_is_refused(text, says):
    rows, problem = attempt(text)
    assert rows is None
    assert says in problem


def test_windows_line_ends_a_byte_order_mark_and_spaces_do_no_harm():
    rows = read(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").replace(",300,", ", 300 ,").encode())
    assert rows.mass_g[0] == 300


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("t_s,mass_g,air_c\n", "no rows"),
        ("t_s,mass_g,air_c\n0,300,20\n", "at least two"),
        ("time,mass_g,air_c\n0,1,2\n", "line 1: the header has no column t_s"),
        ("t_s;mass_g;air_c\n0;1,5;2\n", "line 1: the columns are separated by semicolons"),
        ("mass_g,t_s,air_c\n0,1,2\n", "must begin with"),
        (
            "t_s,mass_g,air_c,drops_2\n0,1,2,0\n",
            "column drops_2: column drops_2 stands where drops_1",
        ),
        ("t_s,mass_g,air_c,humidity\n0,1,2,0\n", "unknown column 'humidity'"),
        ("t_s,mass_g,air_c,fuel_c,fuel_c\n0,1,2,0,0\n", "twice"),
        ("t_s,mass_g,air_c," + ",".join(f"drops_{i}" for i in range(1, 10)) + "\n", "at most 8"),
        (GOOD + "2,abc,20,0,0\n", "line 4, column mass_g: 'abc' is not a number"),
        (GOOD + "2,300,20\n", "line 4: 3 cells instead of 5"),
        (GOOD + "2,300,20,0", "line 4: 4 cells instead of 5"),
        (GOOD + "1,300,20,0,0\n", "line 4, column t_s: 1: time must increase"),
        (GOOD + ",300,20,0,0\n", "line 4, column t_s: blank: time must increase"),
        (GOOD + "1.01,300,20,0,0\n", "at least 0.1 s apart"),
        (GOOD + "2,nan,20,0,0\n", "line 4, column mass_g: 'nan' is not a finite number"),
        (GOOD + "2,inf,20,0,0\n", "line 4, column mass_g: 'inf' is not a finite number"),
        (GOOD + "2,-4,20,0,0\n3,-4,20,0,0\n4,-5,20,0,0\n", "line 4, column mass_g: -4: the net m"),
        (GOOD + "9999,-4,20,0,0\n", "line 4, column mass_g: -4: the net mass is negative in the"),
        (GOOD + "2,-1e9,20,0,0\n", "too large"),
        (GOOD + "1e300,300,20,0,0\n", "line 4, column t_s: 1e+300: not a time"),
        (GOOD + "8640001,300,20,0,0\n", "more than 100 days after the first row"),
        ("t_s,mass_g,air_c\n1e11,300,20\n100000000001,300,20\n", "line 2, column t_s: 1e+11: not"),
        (GOOD + "2,300,20,1e18,0\n", "line 4, column drops_1: 1e+18: more drops than fall"),
        (GOOD + "2,1e9,20,0,0\n", "too large"),
        (GOOD + "2,300,451,0,0\n", "line 4, column air_c: 451: not a temperature"),
        (GOOD + "2,300,20,-1,0\n", "line 4, column drops_1: -1: drops are counts"),
        (GOOD + "2,300,20,0.5,0\n", "line 4, column drops_1: 0.5: drops are counts"),
        ("t_s,mass_g,air_c,feed_open\n0,300,20,2\n1,300,20,1\n", "line 2, column feed_open: 2"),
        (GOOD.encode() + b"2,\xff,20,0,0\n", "line 4: is not UTF-8"),
        (b"\0" * 5000, "line 1: is not text"),
        (GOOD.encode() + b"2,300,20,0,\0\n", "line 4: is not text"),
        (b"9" * 100_000, "line 1: is not text"),
    ],
)
def test_what_breaks_the_form_says_what_and_where(text, says):
    with pytest.raises(InputError) as problem:
        read(text)
    told = str(problem.value)
    assert says in told
    assert told.startswith("run.csv: ")
    assert "\n" not in told


def test_single_readings_below_zero_are_spikes_and_change_no_verdict():
    """Of a cell that flips a bit, and of a bottle that is off the cell while it is filled."""
    night = simulate(SCENARIOS["dry-rack"], hours=5, interval_s=5.0).rows
    mass_g = night.mass_g.copy()
    mass_g[1000::400] = -900.0
    spiked = replace(night, mass_g=mass_g)
    with TemporaryDirectory() as name:
        write_run(Path(name) / "run.csv", spiked)
        read_back = read_run(Path(name) / "run.csv")
    assert read_back.mass_g.min() == -900
    found, plain = decide(read_back, Settings()).verdict, decide(night, Settings()).verdict
    assert found.outcome is plain.outcome
    assert found.alarms == ()
    assert found.leak_g_per_h.high == pytest.approx(plain.leak_g_per_h.high, rel=0.2)


def test_endless_zeros_are_refused_at_once():
    class Zeros(io.RawIOBase):
        given = 0

        def readable(self) -> bool:
            return True

        def readinto(self, buffer):
            self.given += len(buffer)
            assert self.given < 1_000_000, "read on and on"
            buffer[:] = bytes(len(buffer))
            return len(buffer)

    with pytest.raises(InputError, match="not text"):
        read_run(Path("-"), io.BufferedReader(Zeros()))


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_run(tmp_path / "none.csv")
    with pytest.raises(InputError, match="folder"):
        read_run(tmp_path)


def test_what_is_written_reads_back(tmp_path):
    night = simulate(SCENARIOS["gate-stuck"], hours=4).rows
    path = tmp_path / "night.csv"
    write_run(path, night, ("invented data",))
    again = read_run(path)
    assert np.array_equal(again.t_s, night.t_s)
    assert np.allclose(again.mass_g, night.mass_g, atol=1e-4, equal_nan=True)
    assert np.array_equal(again.drops, night.drops, equal_nan=True)
    assert np.array_equal(again.feed_open, night.feed_open)
    assert [file.name for file in tmp_path.iterdir()] == ["night.csv"]


@given(st.binary(max_size=400))
def test_any_bytes_give_rows_or_one_clear_line(raw):
    rows, told = attempt(raw)
    assert "\n" not in told
    assert rows is None or len(rows) >= 2


@given(st.text(alphabet="0123456789.,-e\n#", max_size=200))
def test_anything_number_like_gives_rows_or_one_clear_line(text):
    rows, told = attempt(GOOD + text)
    assert "\n" not in told
    assert rows is None or np.all(np.diff(rows.t_s) > 0)
