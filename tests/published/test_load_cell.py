"""Converter counts and load cell classes against datasheet and OIML recommendation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.hx711_count import HIGHEST, LOWEST, PULSES, decode, judge
from sim.scenario import CellTraits


@pytest.mark.parametrize(
    ("word", "count"),
    [(0, 0), (1, 1), (0x7FFFFF, HIGHEST), (0x800000, LOWEST), (0xFFFFFF, -1), (0xFFFF00, -256)],
)
def test_words_are_two_complement(word, count):
    """HX711 datasheet: 24 bits, two's complement, first bit first."""
    assert decode(word) == count


@given(st.integers(LOWEST, HIGHEST))
def test_every_count_survives_the_wire(count):
    assert decode(count & 0xFFFFFF) == count


@pytest.mark.parametrize("word", [-1, 1 << 24])
def test_more_than_24_bits_are_refused(word):
    with pytest.raises(ValueError, match="24 bits"):
        decode(word)


@pytest.mark.parametrize(
    ("word", "reason"),
    [
        (0x7FFFFF, "saturated"),
        (0x800000, "saturated"),
        (0xFFFFFF, "all ones"),
        (0x3FFFFF, "pattern"),
        (0x0001FF, "pattern"),
    ],
)
def test_what_is_not_a_mass_has_a_reason(word, reason):
    count = judge(word)
    assert count.value is None
    assert reason in count.reason


def test_a_late_clock_is_not_a_mass():
    """Datasheet: high for more than 60 µs powers the chip down."""
    assert judge(123_456, 59e-6).value == 123_456
    assert judge(123_456, 61e-6).value is None


def test_pulses_choose_channel_and_gain():
    """Datasheet, table of input selection: 25, 26, 27 pulses."""
    assert PULSES == {128: 25, 32: 26, 64: 27}


def test_the_simulated_cell_could_be_a_class_c3_cell_of_a_kilogram():
    """OIML R 60 (2021): creep over 30 min at most 0.7 of the error limit: 0.735 v; v = 1/3 g."""
    assert 2 * CellTraits().creep_g < 0.735 * 1000 / 3000
