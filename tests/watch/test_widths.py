"""For how long a drop darkens a beam, beside what else does."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soakmon.watch.widths import drop_likeness

G = 9.81


def dark_ms(drop_mm: float, fallen_mm: float) -> float:
    """A drop's own length at the speed of its fall."""
    return drop_mm / math.sqrt(2 * G * fallen_mm * 1e-3)


@pytest.mark.parametrize("fallen_mm", [5.0, 20.0, 100.0])
def test_a_drop_that_falls_is_like_a_drop(fallen_mm):
    assert drop_likeness(dark_ms(3.0, fallen_mm)) > 0.25


@pytest.mark.parametrize("other_ms", [0.001, 0.25, 0.6, 60.0, 2000.0])
def test_satellites_loads_insects_and_sun_are_not(other_ms):
    assert drop_likeness(other_ms) < -1.5


def test_nothing_is_said_where_it_is_not_known():
    assert drop_likeness(math.nan) == 0.0
    assert drop_likeness(math.inf) == 0.0


def test_likest_of_all_are_five_milliseconds_and_never_more_than_a_third_of_others():
    widths = np.geomspace(0.2, 1000.0, 4001)
    likeness = np.array([drop_likeness(width) for width in widths.tolist()])
    assert widths[likeness.argmax()] == pytest.approx(5.0, rel=0.01)
    # Of what is no drop 35 % look like one: the ratio is 1 / 0.35 at most.
    assert likeness.max() < math.log(1 / 0.35)
    # By hand: (0.97 × 0.665 + 0.03 × 0.117) / (0.35 × 0.665 + 0.65 × 0.117).
    assert likeness.max() == pytest.approx(math.log(2.098), abs=1e-3)


def test_both_are_chances_over_what_is_told():
    """The ratio, weighed by either story over all widths, is a chance of one."""
    logs = np.linspace(math.log(0.2), math.log(1000.0), 20_001)
    step = logs[1] - logs[0]
    ratio = np.exp([drop_likeness(width) for width in np.exp(logs).tolist()])
    z = (logs - math.log(5.0)) / 0.6
    others = 0.35 * np.exp(-0.5 * z * z) / (0.6 * math.sqrt(2 * math.pi)) + 0.65 / math.log(5000)
    assert (others * step).sum() == pytest.approx(1.0, abs=1e-3)
    assert (ratio * others * step).sum() == pytest.approx(1.0, abs=1e-3)
