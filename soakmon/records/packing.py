"""Rows as bytes for the journal, and back, exactly."""

from __future__ import annotations

import numpy as np

from soakmon.watch.rows import Rows

_MISSING = 0xFFFF


def _kind(gates: int) -> np.dtype[np.void]:
    return np.dtype(
        [("t", "<f8"), ("mass", "<f8"), ("air", "<f8"), ("fuel", "<f8"), ("feed", "<f8")]
        + [(f"drops_{gate}", "<u2") for gate in range(gates)]
    )


def pack(rows: Rows) -> bytes:
    """The rows as little-endian records."""
    packed = np.zeros(len(rows), _kind(rows.gates))
    packed["t"], packed["mass"], packed["air"] = rows.t_s, rows.mass_g, rows.air_c
    packed["fuel"] = np.nan if rows.fuel_c is None else rows.fuel_c
    packed["feed"] = np.nan if rows.feed_open is None else rows.feed_open
    for gate in range(rows.gates):
        counts = rows.drops[:, gate]
        packed[f"drops_{gate}"] = np.where(np.isfinite(counts), counts, _MISSING)
    return packed.tobytes()


def unpack(data: bytes, gates: int) -> Rows:
    """The rows that `pack` made into bytes. Raises ValueError when the length does not fit."""
    packed = np.frombuffer(data, _kind(gates))
    drops = np.zeros((len(packed), gates))
    for gate in range(gates):
        counts = packed[f"drops_{gate}"].astype(np.float64)
        drops[:, gate] = np.where(counts == _MISSING, np.nan, counts)
    fuel, feed = packed["fuel"].copy(), packed["feed"].copy()
    return Rows(
        packed["t"].copy(),
        packed["mass"].copy(),
        packed["air"].copy(),
        drops,
        None if np.isnan(fuel).all() else fuel,
        None if np.isnan(feed).all() else feed,
    )
