"""The cautions, in one place: README, start of a soak, page and report show these same lines."""

from __future__ import annotations

from soakmon.texts import say

NOT_A_SAFETY_DEVICE = say("cautions.soakmon_not_safety_device_its")

CAUTIONS: tuple[str, ...] = (
    say("cautions.petrol_vapour_burns_explodes_ventilate"),
    say("cautions.no_ignition_sources_no_flames"),
    say("cautions.relay_contacts_spark_keep_relays"),
    say("cautions.use_smallest_quantity_fuel_fills"),
    say("cautions.keep_extinguisher_liquid_fires_within"),
    NOT_A_SAFETY_DEVICE,
    say("cautions.local_codes_licensed_practice_come"),
)
