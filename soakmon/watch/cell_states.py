"""What the mass filter believes of a load cell and its bowls before any reading.

The states of one filter, how they fade, how sure each is at the start, and the kinds of cell that
are weighed side by side.
"""

from __future__ import annotations

import numpy as np

from soakmon.physics.belief import effort, judgement, measured, published
from soakmon.watch.rows import Floats

# State positions: offset (random walk), slack (needle sips), wander that comes back, warming up,
# creep of 18 and 60 minutes, how much the evaporation's rate is off just now, zero shift now
# and lagged by 20, 60 and 180 minutes, the share of the top-up that fuel in the bowls asks for when
# it shrinks with cold, and of what warmth keeps it from asking for: needles that let by a little,
# or bowls that are vented otherwise, show one without the other.
OFFSET, SLACK, WANDER, WARM_UP, CREEP, CREEP_60, RATE = range(7)
TEMP, TEMP_20, TEMP_60, TEMP_180, TOP_UP, HELD = range(7, 13)
SIZE = 13
# How much of what cold asks for the bowls draw; and how much of what warmth keeps from being drawn,
# since it lifts the level and no needle opens, is seen: surer where the bench is known, in
# multiples of unsteady_rel_sd.
TOP_UP_SHARE = judgement(1.0, "share")
_TOP_UP_SDS = judgement(2.5, "times")
HELD_SHARE = judgement(0.9, "share")
_HELD_SDS = judgement(1.5, "times")
# What the bowls are short of when the clock starts: they have just filled.
_SLACK_AT_START_G = judgement(0.05, "g")
# Time constants, h, of what decays: converters warm up in six minutes; creep of 65 cells went by
# 18 minutes (NIST, PubMed 27805151) and has a slower part in most of them.
# What evaporates follows draughts, doors and people for hours (judgement).
DECAYS = published({WARM_UP: 0.1, CREEP: 0.3, CREEP_60: 1.0, RATE: 6.0}, "h")
# When the soak's clock starts, half an hour after the fill, g: of 0.3 g of warming up, and creep of
# 0.02 to 0.07 % of a kilogram.
AT_START_G = published({WARM_UP: 0.1, CREEP: 0.15, CREEP_60: 0.2}, "g")
# After a step: what a push that lifted it may leave, and of what was added or taken.
CREEPS_G = judgement(0.1, "g")
CREEPS_PER_G = published(3e-4, "g/g")
# Share of the zero shift that each lag is given, and how much larger than usual it may be: the
# spread of specimens is 0.8 on a logarithmic scale about 0.1 g/°C on 1-2 kg.
_LAG_SHARE = judgement(0.5, "share")
ZEROS = judgement(((1.0, 0.6), (3.5, 0.4)), ("times", "weight"))

# (drift in g/√h, share of the slack's sd, sd of the wander that comes back in g, within so many
# hours, weight), for a cell whose minute averages scatter by 0.03 g or less: drifts of 0.05 to
# 0.3 g a day and wanders of 0.2 to 0.4 g within one or two hours were seen; humidity, hysteresis
# and hoses may take longer. Bowls let go by sips, which are told apart where they are large
# (`sip`); in between the slack hardly wanders, or readings that are calm from minute to minute
# would speak for a cell that drifts. And what such a cell drifts must not be put down to bowls.
CELLS = measured(
    (
        (0.03, 0.4, 0.0, 2.0, 0.24),
        (0.03, 1.0, 0.0, 2.0, 0.12),
        (0.03, 0.4, 0.1, 2.0, 0.12),
        (0.03, 0.4, 0.2, 2.0, 0.1),
        (0.03, 0.4, 0.35, 2.0, 0.06),
        (0.03, 0.4, 0.4, 6.0, 0.02),
        (0.06, 0.4, 0.0, 2.0, 0.18),
        (0.11, 0.4, 0.0, 2.0, 0.06),
        (0.2, 0.3, 0.0, 2.0, 0.04),
        (0.35, 0.3, 0.0, 2.0, 0.03),
        (0.7, 0.3, 0.0, 2.0, 0.03),
    ),
    ("g/√h", "share", "g", "h", "weight"),
)
BANK = len(CELLS) * len(ZEROS)
# Nothing is known of the first reading.
_ANY_G = effort(30.0, "g")


def sd_at_start(wander: Floats, zero: Floats, unsteady_rel_sd: float) -> Floats:
    """(M, S) prior sd of each state, for wander and shift of the zero (M,) of each filter."""
    sd = np.zeros((BANK, SIZE))
    sd[:, OFFSET] = _ANY_G
    sd[:, SLACK] = _SLACK_AT_START_G
    sd[:, WANDER] = wander
    sd[:, TOP_UP] = _TOP_UP_SDS * unsteady_rel_sd
    sd[:, HELD] = _HELD_SDS * unsteady_rel_sd
    sd[:, RATE] = unsteady_rel_sd
    for state, sd_g in AT_START_G.items():
        sd[:, state] = sd_g
    for state in (TEMP, TEMP_20, TEMP_60, TEMP_180):
        sd[:, state] = _LAG_SHARE * zero
    return sd
