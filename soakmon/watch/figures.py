"""Numbers as people read them."""

from __future__ import annotations


def plain(value: float, digits: int = 2) -> str:
    """A value with so many significant digits, never with an exponent: 0.012, 1.4, 240, 5800."""
    return f"{float(f'{value:.{digits}g}'):.12f}".rstrip("0").rstrip(".")
