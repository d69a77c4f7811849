"""The count of an HX711 bridge converter: 24 bits, two's complement, first bit first.

Datasheet: the output clamps at 0x800000 and 0x7FFFFF; 25 clock pulses select channel A at gain 128
for the next conversion, 26 channel B at 32, 27 channel A at 64; the clock high for more than 60 µs
powers the chip down.
"""

from __future__ import annotations

from dataclasses import dataclass

BITS = 24
LOWEST, HIGHEST = -(1 << 23), (1 << 23) - 1
PULSES = {128: 25, 32: 26, 64: 27}
LONGEST_HIGH_S = 60e-6


@dataclass(frozen=True, slots=True)
class ConverterCount:
    """A converter count, or None with the reason why it is not to be believed."""

    value: int | None
    reason: str = ""


def decode(word: int) -> int:
    """The signed count of 24 bits as shifted out. Raises ValueError for more bits."""
    if not 0 <= word < 1 << BITS:
        raise ValueError(f"a converter word has {BITS} bits, got {word:#x}")
    return word - (1 << BITS) if word >> (BITS - 1) else word


def judge(word: int, longest_high_s: float = 0.0) -> ConverterCount:
    """Decode a word that was clocked in with pulses of at most longest_high_s.

    Late pulses, saturation and patterns 2^n - 1 (a line that rose during the read and stayed) are
    None with a reason: never a mass.
    """
    value = decode(word)
    if longest_high_s > LONGEST_HIGH_S:
        text = f"clock high for {1e6 * longest_high_s:.0f} µs: the chip may have powered down"
        return ConverterCount(None, text)
    if value in {LOWEST, HIGHEST}:
        return ConverterCount(None, "saturated: overload or a broken bridge wire")
    if value == -1:
        return ConverterCount(None, "all ones: no converter, or it was read before it was ready")
    if value > 255 and value & (value + 1) == 0:
        return ConverterCount(None, f"pattern {value:#x}: the line stuck high during the read")
    return ConverterCount(value)
