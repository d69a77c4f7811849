"""Every story of a gate's counts: what is no leak wakes nobody, what is one is found."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from soakmon.physics.drops import USUAL_DROP_G as DROP_G
from soakmon.watch.budget import Budget
from soakmon.watch.decide import watched
from soakmon.watch.settings import Settings
from soakmon.watch.tally import Tally
from soakmon.watch.weep import LEAKS, ONSETS, Weep
from tests.watch.nights import night

H, DAY = 3600.0, 86400.0
Counts = list[np.ndarray]
Story = Callable[[np.random.Generator], Counts]
SAYS_NOTHING = np.zeros((ONSETS, len(LEAKS)))
SURELY = -math.log(Budget(0.01, 4).weep_gate)


def best(counts: Counts, spacing_s: float = 1.0) -> float:
    """The highest that any gate's log-ratio gets in a night of counts and a mass without news."""
    weep = Weep(Settings(), 0.0, len(counts), 0.0)
    rows = sorted(
        (math.ceil(t_s / spacing_s) * spacing_s, gate)
        for gate, times in enumerate(counts)
        for t_s in times.tolist()
        if 0 < t_s < DAY
    )
    told = sorted({*(t_s for t_s, _ in rows), *np.arange(0, DAY + 1, 1800.0).tolist()})
    highest, place = -math.inf, 0
    for t_s in told:
        while place < len(rows) and rows[place][0] <= t_s:
            weep.hear(rows[place][1], rows[place][0], 1, spacing_s, math.nan)
            place += 1
        weep.wait(t_s, 1.0)
        weep.weigh(t_s)
        for gate, evidence in enumerate(weep.gates):
            if evidence.count:
                highest = max(highest, weep.gate_ratio(gate, SAYS_NOTHING))
    return highest


def dark(rng: np.random.Generator, per_h: float = 0.03) -> Counts:
    return [rng.uniform(0, DAY, rng.poisson(24 * per_h)) for _ in range(4)]


def noise_at_all_gates(rng: np.random.Generator) -> Counts:
    return dark(rng, 1.0)


def one_noisy_gate(rng: np.random.Generator) -> Counts:
    counts = dark(rng)
    counts[1] = rng.uniform(0, DAY, rng.poisson(24 * 1.5))
    return counts


def heard(rng: np.random.Generator, times: np.ndarray, within_s: float, share: float) -> Counts:
    """Events that reach each gate with such a chance, some time later."""
    counts = dark(rng)
    for gate in range(4):
        struck = times[rng.random(len(times)) < share]
        counts[gate] = np.append(counts[gate], struck + rng.uniform(0, within_s, len(struck)))
    return counts


def a_compressor(rng: np.random.Generator) -> Counts:
    every_s = rng.uniform(600, 1800)
    times = np.cumsum(every_s * rng.lognormal(0, 0.05, 100))
    return heard(rng, times, 0.5, 0.6)


def shaking(rng: np.random.Generator) -> Counts:
    spells = rng.uniform(0, DAY, 8)
    times = np.concatenate([spell + rng.uniform(0, 600, 6) for spell in spells])
    return heard(rng, times, 40.0, 0.5)


def insects(rng: np.random.Generator) -> Counts:
    counts = dark(rng)
    for _ in range(6):
        visit = rng.uniform(0, DAY) + np.cumsum(rng.exponential(rng.uniform(5, 200), 6))
        gate = rng.integers(4)
        counts[gate] = np.append(counts[gate], visit)
    return counts


def a_load_that_chatters(rng: np.random.Generator) -> Counts:
    """At one gate alone, but several times at once."""
    counts, times = dark(rng), np.cumsum(1200.0 * rng.lognormal(0, 0.08, 60))
    edges = np.repeat(times, rng.integers(2, 6, 60))
    counts[0] = np.append(counts[0], edges + rng.uniform(0, 1.5, len(edges)))
    return counts


def a_load_heard_seldom(rng: np.random.Generator) -> Counts:
    """A thermostat every twenty minutes, of which one gate hears one switching in four."""
    counts, times = dark(rng), np.cumsum(1200.0 * rng.lognormal(0, 0.08, 72))
    counts[2] = np.append(counts[2], times[rng.random(72) < 0.25])
    return counts


def a_beam_on_the_edge(rng: np.random.Generator) -> Counts:
    """Light comes and goes about once a minute for hours: only a mass that stays tells."""
    counts = dark(rng)
    counts[3] = np.append(counts[3], 30_000 + np.cumsum(rng.gamma(1.5, 30.0, 200)))
    return counts


NO_LEAKS = [
    noise_at_all_gates, one_noisy_gate, a_compressor, shaking, insects, a_load_that_chatters,
    a_load_heard_seldom, a_beam_on_the_edge,
]  # fmt: skip


@pytest.mark.parametrize("story", NO_LEAKS)
def test_what_is_no_leak_wakes_nobody(story: Story):
    for seed in range(2):
        assert best(story(np.random.default_rng(seed))) < SURELY


def drip(
    rng: np.random.Generator, g_per_day: float, spread: float = 0.08, lost: float = 0.0
) -> np.ndarray:
    mean_s = DAY * DROP_G / g_per_day
    times = rng.uniform(0, mean_s) + np.cumsum(mean_s * rng.gamma(spread**-2, spread**2, 400))
    return times[rng.random(400) >= lost]


def below(rng: np.random.Generator, gate: int, times: np.ndarray) -> Counts:
    counts = dark(rng)
    counts[gate] = np.append(counts[gate], times)
    return counts


@pytest.mark.parametrize(
    ("g_per_day", "spread", "lost"), [(0.2, 0.08, 0.0), (0.5, 0.08, 0.3), (1.0, 0.35, 0.0)]
)
def test_a_drip_is_found_however_it_is_heard(g_per_day: float, spread: float, lost: float):
    for seed in range(2):
        rng = np.random.default_rng(seed)
        assert best(below(rng, 2, drip(rng, g_per_day, spread, lost))) > SURELY


def test_whole_rows_make_no_rhythm():
    """Sun for two hours, in rows of 30 s: intervals are of one row or of two."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        times = 30_000 + np.sort(rng.uniform(0, 2 * H, 160))
        lit = times[rng.random(160) < 0.5 + 0.5 * np.sin(times / 400)]
        assert best(below(rng, 2, lit), 30.0) < SURELY


def test_a_drip_with_an_end_is_found():
    rng = np.random.default_rng(1)
    times = drip(rng, 2.0)
    assert best(below(rng, 0, times[times < 6 * H])) > SURELY


def test_a_drip_of_which_a_spell_is_lost_is_found():
    rng = np.random.default_rng(1)
    times = drip(rng, 0.5, lost=0.2)
    assert best(below(rng, 3, times[(times < 5 * H) | (times > 9 * H)])) > SURELY


def test_satellites_hide_no_drip():
    rng = np.random.default_rng(2)
    times = drip(rng, 1.0)
    followed = times[rng.random(len(times)) < 0.5]
    assert best(below(rng, 0, np.append(times, followed + 0.05))) > SURELY


def test_a_drip_that_hardly_keeps_time_is_found_though_every_drop_counts_twice():
    """4 g/day, intervals of 45 % spread, each drop with its satellite in the same row."""
    times = np.ceil(drip(np.random.default_rng(5), 4.0, 0.45))
    weep = Weep(Settings(), 0.0, 4, 0.0)
    for t_s in times[times < DAY].tolist():
        weep.hear(1, t_s, 2, 1.0, math.nan)
    weep.wait(DAY, 1.0)
    weep.weigh(DAY, at_once=True)
    assert weep.gate_ratio(1, SAYS_NOTHING) > SURELY


@pytest.mark.parametrize(("spacing_s", "drops"), [(1.0, 1), (10.0, 2)])
def test_a_satellite_is_no_second_drop_where_the_rows_are_short(spacing_s: float, drops: int):
    tally = Tally(1)
    tally.add(0, 100.0, 2, spacing_s)
    assert tally.total == [drops]


def test_a_satellite_in_the_next_row_is_none_either_but_a_stream_counts_whole():
    tally = Tally(1)
    for t_s in (100.0, 101.0, 200.0, 300.0):
        tally.add(0, t_s, 1, 1.0)
    assert tally.total == [3]
    for t_s in np.arange(400.0, 410.0).tolist():
        tally.add(0, t_s, 2, 1.0)
    assert tally.total[0] >= 3 + 19


def test_a_leak_beside_a_leak_is_found():
    """Drops of a fast one are company to every drop of the slow one, by chance alone."""
    rng = np.random.default_rng(3)
    counts = below(rng, 1, drip(rng, 0.5))
    counts[2] = drip(rng, 12.0)
    weep = Weep(Settings(), 0.0, 4, 0.0)
    for t_s, gate in sorted((t, g) for g, times in enumerate(counts) for t in times if t < DAY):
        weep.hear(gate, math.ceil(t_s), 1, 1.0, math.nan)
    weep.wait(DAY, 1.0)
    weep.weigh(DAY, at_once=True)
    assert weep.gate_ratio(1, SAYS_NOTHING) > SURELY
    assert weep.gate_ratio(2, SAYS_NOTHING) > SURELY


def test_a_noisy_bench_is_known_by_its_other_gates():
    rng = np.random.default_rng(4)
    times = np.sort(rng.uniform(0, DAY, 24))
    alone, among = (Weep(Settings(), 0.0, 4, 0.0) for _ in range(2))
    for weep, gates in ((alone, 1), (among, 4)):
        for gate in range(gates):
            for t_s in np.sort(times + 700.0 * gate).tolist():
                weep.hear(gate, t_s, 1, 1.0, math.nan)
        weep.wait(DAY, 1.0)
        weep.weigh(DAY, at_once=True)
    assert among.gate_ratio(0, SAYS_NOTHING) < alone.gate_ratio(0, SAYS_NOTHING) - 1


@pytest.mark.parametrize(("dark_ms", "more"), [(4.0, True), (0.3, False), (400.0, False)])
def test_how_long_the_beam_was_dark_counts(dark_ms: float, more: bool):
    ratios = []
    for told_ms in (math.nan, dark_ms):
        weep = Weep(Settings(), 0.0, 4, 0.0)
        for n in range(5):
            weep.hear(0, 2000.0 + 3600.0 * n, 1, 1.0, told_ms)
        weep.wait(6 * H, 1.0)
        weep.weigh(6 * H, at_once=True)
        ratios.append(weep.gate_ratio(0, SAYS_NOTHING))
    unknown, known = ratios
    assert known > unknown + 1 if more else known < unknown - 5


def test_counts_before_a_rack_is_filled_again_wake_nobody():
    """Half a day after the first fill more fuel is let in; till then a few counts."""
    rows = night(3, hours=16, spacing_s=10.0)
    taken = 60.0 * np.clip((rows.t_s - 11 * H) / 120.0, 0, 1)
    filled = 125.0 * np.clip((rows.t_s - 600) / 120.0, 0, 1)
    drops = np.zeros_like(rows.drops)
    drops[np.searchsorted(rows.t_s, np.array([1.0, 1.3, 6.0, 9.4]) * H)] = [0, 1, 0, 0]
    mass_g = rows.mass_g + 200.0 - filled - taken
    decider = watched(replace(rows, mass_g=mass_g, drops=drops), Settings())
    assert not [alarm for alarm in decider.alarms if alarm.carb is not None]
