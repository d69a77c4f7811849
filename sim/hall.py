"""A hall of benches that soak at the same time, and what befalls all of them at once.

No decider and no plumbing: what a bench reads is a line with noise, so that a thousand of them are
light. The faults are those that benches in one building share: the power, the broker and the
database, the weather. The same seed gives the same readings, also after a restart in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soakmon.watch.rows import Floats, Rows

GATES = 4
_BLOCK_S = 60
_HOT_C = 9.0
# Drops per hour of a gate that is tight (dark rate), and of one that weeps.
_DARK_PER_H, _WEEP_PER_H = 0.05, 60.0
_ALARMED, _HEATED = 0.05, 0.1


@dataclass(frozen=True, slots=True)
class Stretch:
    """From when to when, s since the hall began."""

    from_s: float
    to_s: float

    def holds(self, t_s: float) -> bool:
        """Whether a time is in it."""
        return self.from_s <= t_s < self.to_s


@dataclass(frozen=True, slots=True)
class Mishaps:
    """What befalls the whole hall, s since it began; None: it does not.

    power: all benches lose it at once; wire: broker and database are gone; hot: the afternoon;
    upgrade_s: when one bench, until then of an earlier version, is brought up to date.
    """

    power: Stretch | None = None
    wire: Stretch | None = None
    hot: Stretch | None = None
    upgrade_s: float | None = None

    @staticmethod
    def over(length_s: float) -> Mishaps:
        """All of them in a hall of this length: first it is left alone for 0.4 of it.

        The power comes back after a fifth, at least a minute: until then a lookout has told. The
        heat sets in when broker and database come back, so that alarms meet the mass reconnect.
        """
        cut_s = max(0.15 * length_s, 60.0)
        power = Stretch(0.42 * length_s, 0.42 * length_s + cut_s)
        wire = Stretch(power.to_s + 0.1 * length_s, power.to_s + 0.2 * length_s)
        return Mishaps(power, wire, Stretch(wire.to_s, length_s), 0.25 * length_s)


@dataclass(frozen=True, slots=True)
class HallBench:
    """One bench. weeps: its gate (from 0) that drips; earlier: of an earlier version at first.

    starts_s, alarms_s: when its soak begins, and when it raises an alarm, s since the hall began.
    """

    number: int
    name: str
    shop: str
    starts_s: float
    mass_g: float
    loss_g_per_h: float
    weeps: int | None
    alarms_s: tuple[float, ...]
    earlier: bool = False

    def uid(self, place: int) -> str:
        """The mark of an alarm, by its place among the bench's."""
        return f"{self.number:08x}{place:04x}"


class Hall:
    """So many benches of so many shops for length_s, each begun within begin_s."""

    def __init__(
        self,
        count: int,
        length_s: float,
        mishaps: Mishaps,
        *,
        shops: int = 4,
        seed: int = 1,
        begin_s: float = 15.0,
    ) -> None:
        self.count, self.length_s, self.mishaps, self.seed = count, length_s, mishaps, seed
        rng = np.random.default_rng((seed, count))
        self.benches = [self._bench(rng, number, shops, begin_s) for number in range(count)]

    def _bench(
        self, rng: np.random.Generator, number: int, shops: int, begin_s: float
    ) -> HallBench:
        earlier = number == 0 and self.mishaps.upgrade_s is not None
        shop = "" if earlier else f"shop-{number % shops + 1}"
        alarms_s = self._alarms(rng)
        return HallBench(
            number,
            f"bench-{number:04d}",
            shop,
            float(rng.uniform(0.0, begin_s)),
            float(rng.uniform(250.0, 400.0)),
            float(rng.uniform(0.05, 0.3)),
            int(rng.integers(GATES)) if alarms_s else None,
            alarms_s,
            earlier,
        )

    def _alarms(self, rng: np.random.Generator) -> tuple[float, ...]:
        """Some weep in the quiet part, and more of them when the heat sets in, all at once."""
        power, hot = self.mishaps.power, self.mishaps.hot
        chance, at = float(rng.random()), float(rng.random())
        if chance < _ALARMED:
            ends = [trouble.from_s for trouble in (power, hot) if trouble is not None]
            quiet_s = min([*ends, self.length_s]) - 60.0
            return (30.0 + at * max(quiet_s, 0.0),)
        if hot is not None and chance < _ALARMED + _HEATED:
            return (hot.from_s + 10.0 * at,)
        return ()

    def powered(self, t_s: float) -> bool:
        """Whether the benches have power."""
        return self.mishaps.power is None or not self.mishaps.power.holds(t_s)

    def readings(self, bench: HallBench, from_s: int, to_s: int) -> Rows:
        """One a second, from_s to to_s (exclusive), whole seconds since the hall began."""
        blocks = range(from_s // _BLOCK_S, (to_s - 1) // _BLOCK_S + 1)
        parts = [self._block(bench, number) for number in blocks]
        cut = slice(from_s - blocks.start * _BLOCK_S, to_s - blocks.start * _BLOCK_S)
        columns = zip(*parts, strict=True)
        t_s, mass_g, air_c, drops = (np.concatenate(column)[cut] for column in columns)
        return Rows(t_s, mass_g, air_c, drops, None, np.ones(len(t_s)))

    def _block(self, bench: HallBench, number: int) -> tuple[Floats, Floats, Floats, Floats]:
        rng = np.random.default_rng((self.seed, bench.number, number))
        t_s = number * _BLOCK_S + np.arange(_BLOCK_S, dtype=float)
        air_c = self._air_c(t_s) + rng.normal(0.0, 0.02, _BLOCK_S)
        # Warm fuel evaporates faster: about 4 % per °C (from memory, ± 1 %).
        faster = 1.0 + 0.04 * (air_c - 18.0)
        lost_g = bench.loss_g_per_h / 3600 * t_s * faster
        mass_g = bench.mass_g - lost_g + rng.normal(0.0, 0.03, _BLOCK_S)
        rates = np.full(GATES, _DARK_PER_H / 3600)
        drops = rng.poisson(rates, (_BLOCK_S, GATES)).astype(float)
        if bench.weeps is not None:
            weeping = rng.random(_BLOCK_S) < _WEEP_PER_H / 3600
            drops[:, bench.weeps] += weeping * (t_s >= bench.alarms_s[0])
        return t_s, mass_g, air_c, drops

    def _air_c(self, t_s: Floats) -> Floats:
        hot = self.mishaps.hot
        if hot is None:
            return np.full(len(t_s), 18.0)
        share = np.clip((t_s - hot.from_s) / max(hot.to_s - hot.from_s, 1.0), 0.0, 1.0)
        return 18.0 + _HOT_C * share
