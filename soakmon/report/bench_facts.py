"""The bench in words, for the report."""

from __future__ import annotations

from soakmon.physics.geometry import Bottle, Bowl, Hose, Vent
from soakmon.texts import say
from soakmon.watch.settings import Priors, Settings


def bench_facts(settings: Settings) -> tuple[tuple[str, str], ...]:
    """The sizes that the expectation was made from."""
    geometry, priors = settings.geometry, settings.priors
    facts = [
        (say("bench_facts.bottle"), _bottle(geometry.bottle)),
        (say("bench_facts.hose"), _hose(geometry.hose)),
        (say("bench_facts.head"), f"{geometry.head_mm:g} mm"),
        (say("bench_facts.blank_run"), _blank_run(priors)),
        (say("bench_facts.past_soaks"), priors.past.text or say("bench_facts.none")),
    ]
    if priors.fleet.text:
        facts.append((say("bench_facts.other_benches"), priors.fleet.text))
    for bowl in geometry.bowls[:1]:
        facts.append((say("bench_facts.bowls", bowls=len(geometry.bowls)), _bowl(bowl)))
    return tuple(facts)


def _bottle(bottle: Bottle) -> str:
    return say(
        "bench_facts.ml_filled_ml",
        capacity_ml=f"{bottle.capacity_ml:g}",
        fill_ml=f"{bottle.fill_ml:g}",
        vent=_vent(bottle.vent),
    )


def _hose(hose: Hose) -> str:
    wall = say(
        "bench_facts.g_m_day_through_its",
        permeation_g_per_m2_day=f"{hose.permeation_g_per_m2_day:g}",
    )
    bore_mm, length_mm = f"{hose.bore_mm:g}", f"{hose.length_mm:g}"
    return say("bench_facts.mm_wide_mm_long", bore_mm=bore_mm, length_mm=length_mm, wall=wall)


def _blank_run(priors: Priors) -> str:
    if priors.blank_scale is None:
        return say("bench_facts.none")
    share = say("bench_facts.bottle_hose_lose_expected", blank_scale=f"{priors.blank_scale:.3g}")
    return f"{share} (± {100 * priors.blank_rel_sd:.2g} %)"


def _bowl(bowl: Bowl) -> str:
    size = say(
        "bench_facts.ml_mm_fuel_surface",
        volume_ml=f"{bowl.volume_ml:g}",
        area_mm2=f"{bowl.area_mm2:g}",
    )
    return f"{size}, {_vent(bowl.vent)}"


def _vent(vent: Vent) -> str:
    bore_mm, length_mm = f"{vent.bore_mm:g}", f"{vent.length_mm:g}"
    return say("bench_facts.vent_mm_wide_mm_long", bore_mm=bore_mm, length_mm=length_mm)
