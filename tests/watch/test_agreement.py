"""Reason, rate, onset and end, drops, mass and faults of one verdict tell one story."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soakmon.watch.conclude import conclude
from soakmon.watch.decide import decide, watched
from soakmon.watch.decider import Decider
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome, Verdict
from tests.watch.nights import DROP_G, night

pytestmark = pytest.mark.long


@st.composite
def records(draw: st.DrawFn) -> Rows:
    """Nights with a leak or none that may stop, a gate that counts what it likes, hands, gaps."""
    spacing_s = draw(st.sampled_from([5.0, 20.0, 60.0]))
    rate = draw(st.sampled_from([0.0, 0.0, 0.02, 0.3, 3.0, 60.0]))
    carb = draw(st.sampled_from([None, 1, 2, 4]))
    rows = night(
        draw(st.integers(0, 1000)),
        leak_g_per_h=rate,
        onset_h=draw(st.sampled_from([0.0, 1.0, 4.0])),
        carb=carb if rate else None,
        hours=draw(st.sampled_from([3.0, 9.0])),
        spacing_s=spacing_s,
    )
    rng = np.random.default_rng(draw(st.integers(0, 1000)))
    mass, drops = rows.mass_g.copy(), rows.drops.copy()
    at = int(draw(st.floats(0.2, 0.9)) * len(rows))
    match draw(st.sampled_from(["nothing", "stops", "counts", "storm", "hand", "gap"])):
        case "stops":
            mass[at:] += rate * (rows.t_s[at:] - rows.t_s[at]) / 3600
            drops[at:] = 0.0
        case "counts":
            drops[:, 3] += rng.random(len(rows)) < spacing_s / 600
        case "storm":
            drops[at : at + int(300 / spacing_s) + 1, 2] += rng.poisson(max(spacing_s, 5.0))
        case "hand":
            mass[at : at + 30] += 40.0
        case "gap":
            mass[at : at + len(rows) // 10] = np.nan
    return replace(rows, mass_g=mass, drops=drops)


def _says(text: str) -> list[float]:
    """Rates in g/h, in the order in which they are told."""
    per_h = {"day": 1 / 24, "min": 60.0}
    return [float(n) * per_h[per] for n, per in re.findall(r"about ([0-9.]+) g/(day|min)", text)]


def holds_together(verdict: Verdict, rows: Rows) -> None:
    """Every statement that can be held against another one agrees with it."""
    band = verdict.leak_g_per_h
    assert 0 <= band.low <= band.best <= band.high
    leaking = verdict.outcome is Outcome.LEAKING
    assert leaking == any(alarm.leaks for alarm in verdict.alarms) == bool(verdict.leaks)
    if not leaking:
        assert band.best == 0.0
        return
    assert band.best > 0
    assert {leak.carb for leak in verdict.leaks} <= {alarm.carb for alarm in verdict.alarms}
    going_on = [leak.leak_g_per_h.best for leak in verdict.leaks if leak.until_s is None]
    assert _says(verdict.reason) == pytest.approx(sorted(going_on, reverse=True), rel=0.06)
    for leak in verdict.leaks:
        low, high = leak.since_s
        assert rows.t_s[0] - 3600 <= low <= high <= verdict.duration_s + 900
        if leak.until_s is not None:
            assert low <= leak.until_s <= verdict.duration_s
            assert leak.lost_g is not None
            assert leak.leak_g_per_h.best * verdict.duration_s / 3600 < 1.5 * leak.lost_g + 0.05
            assert "ended about" in verdict.reason
        if leak.carb is not None:
            assert verdict.drops[leak.carb - 1] > 0
    for alarm in verdict.alarms:
        # A drop may tell within the minute that is still being averaged, which no duration has yet.
        assert 0 <= alarm.t_s <= verdict.duration_s + rows.t_s[0] + 61
        ended = [leak for leak in verdict.leaks if leak.carb == alarm.carb and leak.lost_g]
        if alarm.leaks and ended:
            assert "until it ended" in alarm.text
        elif alarm.leaks and alarm.leak_g_per_h is not None:
            assert _says(alarm.text) == pytest.approx([alarm.leak_g_per_h], rel=0.06)
            assert alarm.leak_g_per_h <= band.high * 1.01
    _lost_as_much(verdict, rows)


def _lost_as_much(verdict: Verdict, rows: Rows) -> None:
    """What is said to have leaked since its onset is not beyond what the bottle lost."""
    good = rows.mass_g[np.isfinite(rows.mass_g)]
    hands = any(fault.kind in {"refill", "bump"} for fault in verdict.faults)
    if hands or verdict.observed_loss_g is None:
        return
    lost = float(np.median(good[:5]) - np.median(good[-5:]))
    going_on = [leak for leak in verdict.leaks if leak.until_s is None]
    hours = [max(verdict.duration_s - max(leak.since_s[1], 0.0), 0.0) / 3600 for leak in going_on]
    low_g = sum(leak.leak_g_per_h.low * h for leak, h in zip(going_on, hours, strict=True))
    assert low_g < lost + 1.0 + 0.1 * abs(lost)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=records())
def test_a_verdict_agrees_with_itself(rows):
    made = watched(rows, Settings(), phase="soaking")
    if math.isfinite(made.soak_s) and made.mass_running:
        holds_together(conclude(made), rows)


def test_a_leak_that_stops_is_told_with_its_grams_and_its_end():
    """As a needle that is flushed free: 11 g in two hours, then nothing for a night."""
    rows = night(3, leak_g_per_h=5.5, onset_h=2, carb=2, hours=14)
    stops = int(np.searchsorted(rows.t_s, 4 * 3600))
    mass, drops = rows.mass_g.copy(), rows.drops.copy()
    mass[stops:] += 5.5 * (rows.t_s[stops:] - rows.t_s[stops]) / 3600
    drops[stops:] = 0.0
    verdict = decide(replace(rows, mass_g=mass, drops=drops), Settings(), phase="soaking").verdict
    (leak,) = verdict.leaks
    assert leak.lost_g == pytest.approx(11.0, rel=0.25)
    assert leak.until_s == pytest.approx(4 * 3600, abs=300)
    assert verdict.leak_g_per_h.best * 14 == pytest.approx(11.0, rel=0.3)
    told = re.search(r"leaked about ([\d.]+) g", verdict.reason)
    assert told is not None
    assert float(told[1]) == pytest.approx(leak.lost_g, rel=0.05)
    causes = {one.cause.value: one.probability for one in verdict.suspects}
    assert causes.get("overflow_tube_crack", 0.0) < 0.1


def test_a_gate_that_loses_sight_of_a_leak_does_not_end_it():
    """The bottle goes on losing for hours after the last drop that was counted."""
    rows = night(3, leak_g_per_h=3.0, onset_h=2, carb=2, hours=14)
    drops = rows.drops.copy()
    drops[rows.t_s > 4 * 3600] = 0.0
    verdict = decide(replace(rows, drops=drops), Settings(), phase="soaking").verdict
    assert all(leak.until_s is None for leak in verdict.leaks)
    assert verdict.leak_g_per_h.low < 3.0 < verdict.leak_g_per_h.high


def test_a_flood_is_as_large_as_bottle_and_drops_say_at_the_end():
    """It begins with a trickle and grows threefold: the first estimate is not kept."""
    rows = night(3, leak_g_per_h=60.0, onset_h=1.5, carb=2, hours=3, spacing_s=5.0)
    verdict = decide(rows, Settings(), phase="soaking").verdict
    assert verdict.leak_g_per_h.low < 60 < verdict.leak_g_per_h.high


def test_a_storm_at_one_gate_over_a_bottle_that_loses_nothing_is_no_flood():
    rows = night(3, hours=10, spacing_s=1.0)
    drops, mass = rows.drops.copy(), rows.mass_g.copy()
    storm = (rows.t_s > 7200) & (rows.t_s < 9000)
    drops[storm, 1] = 1.0
    mass[(rows.t_s > 7200) & (rows.t_s < 7290)] -= 2.0
    verdict = decide(replace(rows, drops=drops, mass_g=mass), Settings(), phase="soaking").verdict
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert DROP_G * drops.sum() > 20


def test_a_verdict_may_be_asked_for_at_any_minute():
    """An alarm of the gates may stand before the mass has told of a single onset."""
    rows = night(3, leak_g_per_h=40.0, carb=2, hours=1, spacing_s=1.0)
    made = Decider(Settings(), rows.gates, already_soaking=True)
    for start in range(0, len(rows), 60):
        made.push(rows.part(start, start + 60))
        verdict = made.decision().verdict
        if made.mass_running and math.isfinite(made.soak_s):
            holds_together(verdict, rows)
    assert made.alarms
