"""The bench in words, for the report."""

from __future__ import annotations

from soakmon.watch.settings import Settings


def bench_facts(settings: Settings) -> tuple[tuple[str, str], ...]:
    """The sizes that the expectation was made from."""
    geometry, priors = settings.geometry, settings.priors
    bottle, hose = geometry.bottle, geometry.hose
    vent = f"vent {bottle.vent.bore_mm:g} mm wide, {bottle.vent.length_mm:g} mm long"
    wall = f"{hose.permeation_g_per_m2_day:g} g/m² a day through its wall"
    blank = "none"
    if priors.blank_scale is not None:
        blank = f"bottle and hose lose {priors.blank_scale:.3g} of the expected"
        blank += f" (± {100 * priors.blank_rel_sd:.2g} %)"
    facts = [
        ("Bottle", f"{bottle.capacity_ml:g} ml, filled with {bottle.fill_ml:g} ml, {vent}"),
        ("Hose", f"{hose.bore_mm:g} mm wide, {hose.length_mm:g} mm long, {wall}"),
        ("Head", f"{geometry.head_mm:g} mm"),
        ("Blank run", blank),
        ("Past soaks", priors.past.text or "none"),
    ]
    for bowl in geometry.bowls[:1]:
        vent = f"vent {bowl.vent.bore_mm:g} mm wide, {bowl.vent.length_mm:g} mm long"
        size = f"{bowl.volume_ml:g} ml, {bowl.area_mm2:g} mm² of fuel surface"
        facts.append((f"{len(geometry.bowls)} bowls", f"{size}, {vent}"))
    return tuple(facts)
