"""Rows as bytes for the journal, and back, exactly.

Records without block lengths are as they have always been; with them, a mark stands before them.
"""

from __future__ import annotations

import numpy as np

from soakmon.watch.rows import Rows

_MISSING = 0xFFFF
# Read as the time of a first record this would be 10^248 s, which no run has.
_WITH_BLOCKS = b"block_ms"


def _kind(gates: int, *, blocks: bool = False) -> np.dtype[np.void]:
    fields = [("t", "<f8"), ("mass", "<f8"), ("air", "<f8"), ("fuel", "<f8"), ("feed", "<f8")]
    fields += [(f"drops_{gate}", "<u2") for gate in range(gates)]
    fields += [(f"block_{gate}", "<f8") for gate in range(gates if blocks else 0)]
    return np.dtype(fields)


def pack(rows: Rows) -> bytes:
    """The rows as little-endian records."""
    blocks = rows.block_ms is not None and bool(np.isfinite(rows.block_ms).any())
    packed = np.zeros(len(rows), _kind(rows.gates, blocks=blocks))
    packed["t"], packed["mass"], packed["air"] = rows.t_s, rows.mass_g, rows.air_c
    packed["fuel"] = np.nan if rows.fuel_c is None else rows.fuel_c
    packed["feed"] = np.nan if rows.feed_open is None else rows.feed_open
    for gate in range(rows.gates):
        counts = rows.drops[:, gate]
        packed[f"drops_{gate}"] = np.where(np.isfinite(counts), counts, _MISSING)
        if blocks and rows.block_ms is not None:
            packed[f"block_{gate}"] = rows.block_ms[:, gate]
    return (_WITH_BLOCKS if blocks else b"") + packed.tobytes()


def unpack(data: bytes, gates: int) -> Rows:
    """The rows that `pack` made into bytes. Raises ValueError when the length does not fit."""
    blocks = data.startswith(_WITH_BLOCKS)
    packed = np.frombuffer(data[len(_WITH_BLOCKS) * blocks :], _kind(gates, blocks=blocks))
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
        np.column_stack([packed[f"block_{gate}"] for gate in range(gates)]) if blocks else None,
    )
