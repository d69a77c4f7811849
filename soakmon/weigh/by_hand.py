"""Tests of a bench by hand, for commissioning and after a change: straw and rest."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from soakmon.texts import say
from soakmon.watch.figures import plain
from soakmon.weigh import forms
from soakmon.weigh.guides import Guide, number
from soakmon.weigh.result import BenchTestResult

# A drop of 3 mm that has fallen 5 to 100 mm is before the beam for 2 to 14 ms (computed). A hand is
# slower; what is told of a straw is that it is one count, and no longer than the merger takes.
DROP_MS, SLOW_MS, LONGEST_MS = (2.0, 14.0), 300.0, 1000.0
LEAST_MIN = 5.0
# Preflight refuses more.
MOST_NOISE_G, MOST_DRIFT_G_PER_H = 0.5, 2.0

Dark = Annotated[float, Field(gt=0, le=LONGEST_MS, allow_inf_nan=False)]
Drift = Annotated[float, Field(ge=-10_000, le=10_000, allow_inf_nan=False)]
Noise = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]


class StrawForm(forms.Form):
    """How long each gate's beam was dark at one touch, ms, carb by carb."""

    straw_mm: Annotated[float, Field(gt=0, le=20, allow_inf_nan=False)] = 4.0
    dark_ms: list[Dark] = Field(min_length=1, max_length=8)


class StillForm(forms.Form):
    """The cell at rest."""

    minutes: forms.Minutes
    noise_g: Noise
    swing_g: Noise = 0.0
    drift_g_per_h: Drift


def straw(carbs: int) -> Guide:
    """Every gate is touched once."""
    text, kind = say("by_hand.diameter_straw_mm"), forms.between(0.5, 20)
    straw_mm = yield from number(text, kind, 4.0, note=say("by_hand.dry_straw_feed_shut"))
    dark = []
    for carb in range(1, carbs + 1):
        dark.append(
            (
                yield from number(
                    say("by_hand.how_long_beam_dark_ms", carb=carb),
                    Dark,
                    source="dark_ms",
                    note=say("by_hand.flick_straw_through_beam", carb=carb),
                    gate=carb,
                )
            )
        )
    return {"straw_mm": straw_mm, "dark_ms": dark}


def still() -> Guide:
    """Nobody touches the bench."""
    note = say("by_hand.hang_full_bottle_leave_alone")
    kind = forms.between(LEAST_MIN, 30.0)
    minutes = yield from number(say("by_hand.minutes_to_look_for"), kind, LEAST_MIN, note=note)
    return {
        "minutes": minutes,
        "noise_g": (yield from number(say("by_hand.noise_cell_g"), Noise, source="noise_g")),
        "swing_g": (yield from number(say("by_hand.swing_cell_g"), Noise, 0.0, source="swing_g")),
        "drift_g_per_h": (
            yield from number(say("by_hand.drift_cell_g_hour"), Drift, source="drift_g_per_h")
        ),
    }


def judge_straw(form: StrawForm) -> BenchTestResult:
    """Right gate and one count are what the answers were taken for; the width is judged here."""
    lines = []
    for carb, dark_ms in enumerate(form.dark_ms, start=1):
        text = say(
            "by_hand.gate_one_count_dark", gate=carb, dark_ms=plain(dark_ms),
            speed=f"{form.straw_mm / dark_ms:.2g}",
        )  # fmt: skip
        if dark_ms > SLOW_MS:
            text += f": {say('by_hand.too_slow_tell')}"
        lines.append(text)
    slow = [str(carb) for carb, ms in enumerate(form.dark_ms, start=1) if ms > SLOW_MS]
    lines.append(say("by_hand.drop_dark_for_ms", low=f"{DROP_MS[0]:g}", high=f"{DROP_MS[1]:g}"))
    summary = say("by_hand.gates_count_each_its_own", gates=len(form.dark_ms))
    if slow:
        summary = say("by_hand.not_told_straw_too_slow", gates=", ".join(slow))
    return BenchTestResult(
        "straw", not slow, summary, tuple(lines), {"form": form.model_dump(mode="json")}
    )


def judge_still(form: StillForm) -> BenchTestResult:
    """Whether preflight would take such a cell, and what to do where it would not."""
    noisy, drifts = form.noise_g > MOST_NOISE_G, abs(form.drift_g_per_h) > MOST_DRIFT_G_PER_H
    lines = [
        say("by_hand.noise_g", noise_g=f"{form.noise_g:.4f}")
        + (f": {say('by_hand.too_much_still_bench')}" if noisy else ""),
        say("by_hand.swing_g", swing_g=f"{form.swing_g:.4f}")
        + (f": {say('by_hand.something_hums_swings')}" if form.swing_g else ""),
        say("by_hand.drift_g_h", drift_g_per_h=f"{form.drift_g_per_h:+.3f}")
        + (f": {say('by_hand.too_much_let_warm_up')}" if drifts else ""),
    ]
    summary = say(
        "by_hand.noise_swing_drift_over",
        noise_g=f"{form.noise_g:.3f}",
        swing_g=f"{form.swing_g:.3f}",
        drift_g_per_h=f"{form.drift_g_per_h:+.2f}",
        minutes=f"{form.minutes:g}",
    )
    data = {"form": form.model_dump(mode="json")}
    return BenchTestResult("still", not (noisy or drifts), summary, tuple(lines), data)
