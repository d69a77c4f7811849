"""The bench in words, for the report."""

from __future__ import annotations

from soakmon.texts import say
from soakmon.watch.settings import Settings


def bench_facts(settings: Settings) -> tuple[tuple[str, str], ...]:
    """The sizes that the expectation was made from."""
    geometry, priors = settings.geometry, settings.priors
    bottle, hose = geometry.bottle, geometry.hose
    vent = say(
        "bench_facts.vent_mm_wide_mm_long",
        bore_mm=f"{bottle.vent.bore_mm:g}",
        length_mm=f"{bottle.vent.length_mm:g}",
    )
    wall = say(
        "bench_facts.g_m_day_through_its",
        permeation_g_per_m2_day=f"{hose.permeation_g_per_m2_day:g}",
    )
    blank = say("bench_facts.none")
    if priors.blank_scale is not None:
        blank = say(
            "bench_facts.bottle_hose_lose_expected", blank_scale=f"{priors.blank_scale:.3g}"
        )
        blank += f" (± {100 * priors.blank_rel_sd:.2g} %)"
    facts = [
        (
            say("bench_facts.bottle"),
            say(
                "bench_facts.ml_filled_ml",
                capacity_ml=f"{bottle.capacity_ml:g}",
                fill_ml=f"{bottle.fill_ml:g}",
                vent=vent,
            ),
        ),
        (
            say("bench_facts.hose"),
            say(
                "bench_facts.mm_wide_mm_long",
                bore_mm=f"{hose.bore_mm:g}",
                length_mm=f"{hose.length_mm:g}",
                wall=wall,
            ),
        ),
        (say("bench_facts.head"), f"{geometry.head_mm:g} mm"),
        (say("bench_facts.blank_run"), blank),
        (say("bench_facts.past_soaks"), priors.past.text or say("bench_facts.none")),
    ]
    for bowl in geometry.bowls[:1]:
        vent = say(
            "bench_facts.vent_mm_wide_mm_long",
            bore_mm=f"{bowl.vent.bore_mm:g}",
            length_mm=f"{bowl.vent.length_mm:g}",
        )
        size = say(
            "bench_facts.ml_mm_fuel_surface",
            volume_ml=f"{bowl.volume_ml:g}",
            area_mm2=f"{bowl.area_mm2:g}",
        )
        facts.append((say("bench_facts.bowls", bowls=len(geometry.bowls)), f"{size}, {vent}"))
    return tuple(facts)
