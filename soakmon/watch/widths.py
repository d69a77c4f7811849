"""What the time for which a beam was dark tells of a count: a drop's, or something else's.

A drop of 3 mm that has fallen 5 to 100 mm darkens a beam for 2 to 14 ms, a satellite of 0.6 mm for
0.4 to 1 ms (computed from the fall); a switched load some microseconds, an insect or the sun up to
seconds. How often dark counts look like drops is judgement: a third of them.
"""

from __future__ import annotations

import math

from soakmon.physics.belief import judgement, published

# A drop's time in the beam and its spread; the range that is told; a third of other counts look
# like drops, and of drops so many like anything (see above).
_DROP_MS = published(5.0, "ms")
_DROP_LOG_SD = judgement(0.6, "log. sd")
_LEAST_MS = judgement(0.2, "ms")
_MOST_MS = judgement(1000.0, "ms")
_ODD_DROPS = judgement(0.03, "chance")
_DROP_LIKE = judgement(0.35, "chance")


def drop_likeness(dark_ms: float) -> float:
    """Log of how much likelier a drop is dark for so long than another count; 0 where unknown."""
    if not math.isfinite(dark_ms):
        return 0.0
    dark_ms = min(max(dark_ms, _LEAST_MS), _MOST_MS)
    z = math.log(dark_ms / _DROP_MS) / _DROP_LOG_SD
    drop = math.exp(-0.5 * z * z) / (_DROP_LOG_SD * math.sqrt(2 * math.pi))
    anything = 1 / math.log(_MOST_MS / _LEAST_MS)
    of_drops = (1 - _ODD_DROPS) * drop + _ODD_DROPS * anything
    of_others = _DROP_LIKE * drop + (1 - _DROP_LIKE) * anything
    return math.log(of_drops / of_others)
