"""Tests of a bench by hand, for commissioning and after a change: straw and rest."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from soakmon.watch.figures import plain
from soakmon.weigh import forms
from soakmon.weigh.guides import Guide, number
from soakmon.weigh.judge import BenchTestResult

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
    text, kind = "diameter of the straw in mm", forms.between(0.5, 20)
    straw_mm = yield from number(text, kind, 4.0, note="a dry straw, or a wire; the feed shut")
    dark = []
    for carb in range(1, carbs + 1):
        dark.append(
            (
                yield from number(
                    f"carb {carb}: how long its beam was dark, in ms",
                    Dark,
                    source="dark_ms",
                    note=f"flick the straw through the beam below carb {carb}, once, quickly",
                    gate=carb,
                )
            )
        )
    return {"straw_mm": straw_mm, "dark_ms": dark}


def still() -> Guide:
    """Nobody touches the bench."""
    note = "hang the full bottle on the cell, shut the feed, and leave the bench alone meanwhile"
    kind = forms.between(LEAST_MIN, 30.0)
    minutes = yield from number("minutes to look for", kind, LEAST_MIN, note=note)
    return {
        "minutes": minutes,
        "noise_g": (yield from number("noise of the cell in g", Noise, source="noise_g")),
        "swing_g": (
            yield from number("swing of the cell in g (0: none)", Noise, 0.0, source="swing_g")
        ),
        "drift_g_per_h": (
            yield from number("drift of the cell in g an hour", Drift, source="drift_g_per_h")
        ),
    }


def judge_straw(form: StrawForm) -> BenchTestResult:
    """Right gate and one count are what the answers were taken for; the width is judged here."""
    lines = []
    for carb, dark_ms in enumerate(form.dark_ms, start=1):
        speed = form.straw_mm / dark_ms
        text = f"gate {carb}: one count, dark for {plain(dark_ms)} ms ({speed:.2g} m/s by hand)"
        if dark_ms > SLOW_MS:
            text += ": TOO SLOW to tell; flick it faster"
        lines.append(text)
    slow = [str(carb) for carb, ms in enumerate(form.dark_ms, start=1) if ms > SLOW_MS]
    lines.append(f"a drop is dark for {DROP_MS[0]:g} to {DROP_MS[1]:g} ms (computed)")
    summary = f"{len(form.dark_ms)} gates count, each its own carb"
    if slow:
        summary = f"gate {', '.join(slow)}: not told, the straw was too slow"
    return BenchTestResult(
        "straw", not slow, summary, tuple(lines), {"form": form.model_dump(mode="json")}
    )


def judge_still(form: StillForm) -> BenchTestResult:
    """Whether preflight would take such a cell, and what to do where it would not."""
    noisy, drifts = form.noise_g > MOST_NOISE_G, abs(form.drift_g_per_h) > MOST_DRIFT_G_PER_H
    still_it = ": TOO MUCH: still the bench, keep draughts off, check the cell's screw"
    wait = ": TOO MUCH: let it warm up for an hour, look for a leak and for a hose that pulls"
    hums = ": something hums or swings: a fan, the bottle, the mains"
    lines = [
        f"noise {form.noise_g:.4f} g" + (still_it if noisy else ""),
        f"swing {form.swing_g:.4f} g" + (hums if form.swing_g else ""),
        f"drift {form.drift_g_per_h:+.3f} g/h" + (wait if drifts else ""),
    ]
    summary = (
        f"noise {form.noise_g:.3f} g, swing {form.swing_g:.3f} g, drift "
        f"{form.drift_g_per_h:+.2f} g/h over {form.minutes:g} min"
    )
    data = {"form": form.model_dump(mode="json")}
    return BenchTestResult("still", not (noisy or drifts), summary, tuple(lines), data)
