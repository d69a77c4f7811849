"""Sums of chances that are kept as logarithms."""

from __future__ import annotations

import numpy as np

from soakmon.watch.rows import Floats


def log_sum(terms: Floats, axis: int | None = None) -> Floats:
    """Log of the sum of exp(terms) over an axis, or over all; the terms must be finite."""
    top = terms.max(axis=axis, keepdims=True)
    total = top + np.log(np.exp(terms - top).sum(axis=axis, keepdims=True))
    return np.asarray(total.squeeze(axis))
