"""Real recordings: what nobody here simulated must be judged right too."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from soakmon.physics.expectation import expected_loss
from soakmon.records.run_file import read_run
from soakmon.watch.decide import decide
from soakmon.watch.rows import Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome

DATA = Path(__file__).parent / "data"
CHANNELS = np.loadtxt(DATA / "liquid_collection_1hz.csv", delimiter=",", skiprows=1)


@pytest.mark.parametrize("phase", [None, "soaking"])
def test_a_still_load_on_a_hot_and_cold_cell_is_not_proven(phase):
    """A line over time alone would show 66 g a day of loss that is not there."""
    rows = read_run(DATA / "static_22kg_on_150kg_cell.csv")
    verdict = decide(rows, Settings(), phase=phase).verdict
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert not verdict.alarms


def recorded_noise(channel: int) -> np.ndarray:
    """Noise and spikes of a channel without its liquid: what is left of half-minute medians."""
    mass = CHANNELS[:, channel]
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(mass, 15, mode="edge"), 31)
    return mass - np.median(windows, axis=1)


def night(channel: int, *, leak_g_per_h: float, refill: bool = False) -> Rows:
    """A soak of a day on the default bench with the noise of a channel, in its own order."""
    t_s = np.arange(0.0, 86400.0)
    noise = np.resize(recorded_noise(channel), len(t_s))
    air_c = 20 + 1.5 * np.sin(2 * np.pi * t_s / 86400)
    settings = Settings()
    lost = expected_loss(settings.geometry, settings.fuel, t_s, air_c).best_g
    mass = 320 - lost - leak_g_per_h * np.maximum(t_s / 3600 - 3, 0) + noise
    if refill:
        # The step by which the recorded vessel was emptied, turned round.
        drop = int(np.argmin(np.diff(CHANNELS[:, channel])))
        emptied = CHANNELS[drop - 3 : drop + 9, channel]
        mass[40_000:40_012] += emptied[0] - emptied
        mass[40_012:] += emptied[0] - emptied[-1]
    drops = np.zeros((len(t_s), 0))
    return Rows(t_s, mass, air_c, drops)


@pytest.mark.parametrize("channel", [0, 1, 2])
@pytest.mark.parametrize("refill", [False, True])
def test_real_noise_on_a_tight_night_never_leaks(channel, refill):
    verdict = decide(
        night(channel, leak_g_per_h=0, refill=refill), Settings(), phase="soaking"
    ).verdict
    assert verdict.outcome in {Outcome.TIGHT, Outcome.NOT_PROVEN}
    assert not verdict.alarms
    assert any(fault.kind == "refill" for fault in verdict.faults) is refill


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_real_noise_does_not_hide_a_leak(channel):
    verdict = decide(night(channel, leak_g_per_h=0.4), Settings(), phase="soaking").verdict
    assert verdict.outcome is Outcome.LEAKING
    assert verdict.leak_g_per_h.low < 0.4 < verdict.leak_g_per_h.high * 1.05
    assert verdict.alarms[0].t_s > 3 * 3600


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_a_vessel_that_filled_turned_round_is_a_flood(channel):
    """The channel itself, upside down: half a gram a second runs out, and one emptying refills."""
    mass = 2000 - CHANNELS[:, channel]
    t_s = np.arange(float(len(mass)))
    rows = Rows(t_s, mass, np.full(len(t_s), 20.0), np.zeros((len(t_s), 0)))
    bench = replace(Settings(), geometry=replace(Settings().geometry, bowls=()))
    verdict = decide(rows, bench, phase="soaking").verdict
    assert verdict.outcome is Outcome.LEAKING
    assert any(alarm.kind == "flood" for alarm in verdict.alarms)


@pytest.mark.parametrize("mean_c", [8.0, 20.0, 28.0])
def test_a_disconnected_bridge_that_looks_alive_is_a_fault(mean_c):
    """As one was recorded (and may not be passed on): within 0.13 g through 20 °C of swing."""
    rng = np.random.default_rng(int(mean_c))
    t_s = np.arange(0.0, 86400.0)
    air_c = mean_c + 10 * np.sin(2 * np.pi * t_s / 86400)
    walk = np.cumsum(rng.normal(0, 0.02 / 60, len(t_s)))
    mass = 320 + rng.normal(0, 0.03, len(t_s)) + 0.05 * walk / np.abs(walk).max()
    rows = Rows(t_s, mass, air_c, np.zeros((len(t_s), 4)))
    verdict = decide(rows, Settings(), phase="soaking").verdict
    assert verdict.outcome is Outcome.NOT_PROVEN
    assert "check" in verdict.reason
    assert any(fault.kind == "cell_frozen" for fault in verdict.faults)
