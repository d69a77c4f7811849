"""The cautions, in one place: README, start of a soak, page and report show these same lines."""

from __future__ import annotations

NOT_A_SAFETY_DEVICE = (
    "soakmon is not a safety device. Its alarms, its valve and any vapour detector do not make it "
    "safe to leave petrol unattended."
)

CAUTIONS: tuple[str, ...] = (
    "Petrol vapour burns and explodes. Ventilate well; vapour is heavier than air, sinks, and "
    "travels along floors to pits, drains and cellars.",
    "No ignition sources: no flames, heaters, pilot lights, chargers or smoking, and no switching "
    "of mains loads, in the room or below it.",
    "Relay contacts spark. Keep relays, supplies and all electronics above and well away from "
    "the fuel and its vapour.",
    "Use the smallest quantity of fuel that fills the rack, over a metal catch tray.",
    "Keep an extinguisher for liquid fires within reach, and a clear way out.",
    NOT_A_SAFETY_DEVICE,
    "Local codes and licensed practice come first: follow them wherever they ask for more.",
)
