"""A bench test out of recorded rows: the isolation that a soak has seen."""

from __future__ import annotations

from typing import Any

import numpy as np

from soakmon.texts import say
from soakmon.watch.rows import Rows
from soakmon.weigh.isolation import STOPS_WITHIN_MIN

# Drops of the last hour with feed stand for what they were when it was shut.
_BEFORE_S = 3600.0


def isolation_form(rows: Rows) -> dict[str, Any]:
    """The isolation form of a run whose feed was shut at its end.

    Raises ValueError when the feed was not open and then shut for long enough, or without gates.
    """
    if rows.gates == 0:
        raise ValueError(say("watched.no_gates"))
    if rows.feed_open is None:
        raise ValueError(say("watched.does_not_say"))
    opened = np.flatnonzero(rows.feed_open > 0.5)
    if not len(opened) or opened[-1] == len(rows) - 1:
        raise ValueError(say("watched.not_shut"))
    shut_s, end_s = float(rows.t_s[opened[-1] + 1]), float(rows.t_s[-1])
    if end_s - shut_s <= 60 * STOPS_WITHIN_MIN:
        raise ValueError(say("watched.shut_too_short", least=f"{STOPS_WITHIN_MIN:g}"))
    first_s = max(float(rows.t_s[opened[0]]), shut_s - _BEFORE_S)
    before = (rows.t_s >= first_s) & (rows.t_s < shut_s)
    after = rows.t_s >= shut_s
    carbs = []
    for gate in range(rows.gates):
        counts = np.nan_to_num(rows.drops[:, gate])
        late = rows.t_s[after & (counts > 0)]
        carbs.append(
            {
                "before": float(counts[before].sum()),
                "after": float(counts[after].sum()),
                "last_drop_min": float(late[-1] - shut_s) / 60 if len(late) else None,
            }
        )
    return {
        "before_min": (shut_s - first_s) / 60,
        "after_min": (end_s - shut_s) / 60,
        "carbs": carbs,
    }
