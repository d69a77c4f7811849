"""Preflight: is the bench fit to start a soak? Each check says what it found and what to do."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from soakmon.bench.bench_status import OutletHealth
from soakmon.config import Bench
from soakmon.records.soak_context import SoakContext
from soakmon.texts import say
from soakmon.watch.rows import Floats, Rows

PREFLIGHT_S = 60.0
_LEAST_DISK_MB = 200
_NOISE_G, _DRIFT_G_PER_MIN = 0.5, 0.5


@dataclass(frozen=True, slots=True)
class Check:
    """A check: passed, failed (no soak starts) or only a warning."""

    name: str
    passed: bool
    text: str
    warning: bool = False


def check_readings(rows: Rows, bench: Bench) -> list[Check]:
    """Judge a minute of readings with the feed shut."""
    checks = [_cell(rows.mass_g), _fill(rows.mass_g, bench)]
    checks += [_gate(gate, rows.drops[:, gate]) for gate in range(rows.gates)]
    checks.append(_air(rows.air_c))
    return checks


def check_machine(folder: Path, *, synchronised: bool, journal_trouble: str) -> list[Check]:
    """Judge disk, clock and journal."""
    return [
        _disk(folder),
        Check(
            say("preflight.name_journal"),
            not journal_trouble,
            journal_trouble or say("preflight.can_written"),
        ),
        Check(
            say("preflight.clock"),
            synchronised,
            say("preflight.set_network_clock_module")
            if synchronised
            else say("preflight.not_synchronised_times_day_may"),
            warning=True,
        ),
    ]


def _disk(folder: Path) -> Check:
    """Room on the disk, and whether the kernel still lets it be written."""
    if os.statvfs(folder).f_flag & os.ST_RDONLY:
        return Check(say("preflight.disk"), False, say("preflight.read_only"))
    free_mb = shutil.disk_usage(folder).free / 1e6
    text = say("preflight.mb_free", free_mb=f"{free_mb:.0f}")
    if free_mb > _LEAST_DISK_MB:
        return Check(say("preflight.disk"), True, text)
    more = say("preflight.soak_needs_make_room", least_disk_mb=_LEAST_DISK_MB)
    return Check(say("preflight.disk"), False, text + more)


def check_supply(troubles: list[str]) -> list[Check]:
    """What is wrong with the machine's supply or cooling; nothing where all is well."""
    return [Check(say("preflight.supply"), False, text, warning=True) for text in troubles]


def check_outlets(outlets: list[OutletHealth], *, phone_needed: bool) -> list[Check]:
    """Judge what reports: who will be woken, and where the readings go.

    outlets: the health of each. A soak runs without them, unless the phone is said to be needed;
    but that nobody can be told must be said before the feed opens.
    """
    return [
        _outlet(outlet, phone_needed=phone_needed)
        for outlet in outlets
        if outlet.state != "off" or outlet.name == "phone"
    ]


def untold(outlets: list[OutletHealth]) -> str:
    """Why nobody will be told of an alarm, or "": outlets is the health of each."""
    for outlet in outlets:
        if outlet.name == "phone" and outlet.state in {"off", "down"}:
            return _why(outlet)
    return ""


def _why(health: OutletHealth) -> str:
    if health.state == "off":
        return say("preflight.off_bench_toml")
    return health.last_error or say("preflight.not_yet_connected")


def _outlet(health: OutletHealth, *, phone_needed: bool) -> Check:
    name, state = health.name, health.state
    phone = name == "phone"
    shown = say("preflight.phone") if phone else name
    if state == "up":
        text = say("preflight.addresses_known_soakmon_alert_test") if phone else ""
        if health.last_sent_wall_s:
            text = say("preflight.last_message_went_out")
        return Check(shown, True, text or say("preflight.works_waiting", lag=health.lag))
    why = _why(health)
    text = (
        say("preflight.nobody_will_told_alarm", why=why)
        if phone
        else say("preflight.caught_up_later", why=why)
    )
    return Check(shown, False, text, warning=not (phone and phone_needed))


def check_context(context: SoakContext) -> list[Check]:
    """What the records told the soak: is the calibration in force, what do past soaks teach."""
    checks = []
    if context.calibration:
        checks.append(
            Check(
                say("preflight.name_calibration"),
                context.calibrated,
                context.calibration,
                warning=True,
            )
        )
    if context.reference:
        checks.append(
            Check(say("preflight.known_leak"), context.referred, context.reference, warning=True)
        )
    if context.namesake:
        checks.append(Check(say("preflight.name_name"), False, context.namesake, warning=True))
    if context.past.text:
        checks.append(Check(say("preflight.past_soaks"), True, context.past.text))
    checks += [Check(say("preflight.odd"), False, text, warning=True) for text in context.odd]
    if context.fleet.text:
        checks.append(Check(say("preflight.other_benches"), True, context.fleet.text))
    return checks


def _cell(mass_g: Floats) -> Check:
    good = mass_g[np.isfinite(mass_g)]
    if len(good) < 0.5 * len(mass_g) or len(good) < 10:
        return Check(
            say("preflight.load_cell"), False, say("preflight.few_no_readings_check_wiring")
        )
    if np.ptp(good) == 0:
        return Check(
            say("preflight.load_cell"), False, say("preflight.reading_never_moves_check_converter")
        )
    noise_g = 1.4826 * float(np.median(np.abs(good - np.median(good))))
    third = max(len(good) // 3, 1)
    drift_g = float(np.median(good[-third:]) - np.median(good[:third]))
    drift_g_per_min = drift_g / (2 / 3 * len(mass_g) / 60)
    if noise_g > _NOISE_G:
        return Check(
            say("preflight.load_cell"),
            False,
            say("preflight.noise_g_still_bench_check", noise_g=f"{noise_g:.2f}"),
        )
    if abs(drift_g_per_min) > _DRIFT_G_PER_MIN:
        text = say("preflight.drifts_g_min_feed_shut", drift_g_per_min=f"{drift_g_per_min:+.2f}")
        return Check(say("preflight.load_cell"), False, text)
    return Check(
        say("preflight.load_cell"),
        True,
        say(
            "preflight.noise_g_drift_g_min",
            noise_g=f"{noise_g:.3f}",
            drift_g_per_min=f"{drift_g_per_min:+.3f}",
        ),
    )


def _fill(mass_g: Floats, bench: Bench) -> Check:
    good = mass_g[np.isfinite(mass_g)]
    density = bench.fuel.fuel().density_15c_kg_per_m3 * 1e-3
    need_g = density * bench.rack.carbs * bench.rack.bowl_volume_ml
    have_g = float(np.median(good)) if len(good) else 0.0
    enough = have_g > need_g + 20
    text = say("preflight.g_bottle_rack_takes_g", have_g=f"{have_g:.0f}", need_g=f"{need_g:.0f}")
    return Check(
        say("preflight.name_fuel"), enough, text + ("" if enough else say("preflight.fill_bottle"))
    )


def _gate(gate: int, counts: Floats) -> Check:
    name = say("preflight.gate", gate=gate + 1)
    if np.isnan(counts).mean() > 0.5:
        return Check(name, False, say("preflight.its_beam_blocked_its_wire"))
    dark = int(np.nansum(counts))
    if dark > 1:
        return Check(name, False, say("preflight.counts_under_dry_rack_shade", dark=dark))
    return Check(name, True, say("preflight.quiet"))


def _air(air_c: Floats) -> Check:
    good = air_c[np.isfinite(air_c)]
    if not len(good):
        text = say("preflight.no_temperature_verdict_will_not")
        return Check(say("preflight.name_thermometer"), False, text, warning=True)
    value = float(np.median(good))
    plausible = -10 < value < 40
    text = f"{value:.1f} °C" + ("" if plausible else say("preflight.not_shop_s_temperature_check"))
    return Check(say("preflight.name_thermometer"), plausible, text)


def fit(checks: list[Check]) -> bool:
    """Whether a soak may start: warnings do not stop it."""
    return all(check.passed or check.warning for check in checks)
