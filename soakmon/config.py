"""bench.toml: the bench, rack, fuel and beliefs, checked and explained.

The models of the sections are the only place where a key lives: the commented example is made from
them (`bench_toml`).
"""

from __future__ import annotations

from typing import Any

from pydantic import Field, model_validator

from soakmon.hardware_config import (
    CellSection,
    GatesSection,
    GuardSection,
    PageSection,
    PanelSection,
    Section,
    ServiceSection,
    ThermometerSection,
    ValveSection,
    VapourSection,
)
from soakmon.physics.described import (
    BOTTLE_LOG_SD,
    BOWLS_LOG_SD,
    BOWLS_SCALE,
    DOUBT,
    DOUBT_MEASURED,
    FRESH_FUEL_LOG_SD,
    MEASURED_BOWLS_LOG_SD,
    MEASURED_BOWLS_SCALE,
    OLD_FUEL_LOG_SD,
    RATED_HOSE_LOG_SD,
    HoseBelief,
    hose_belief,
)
from soakmon.physics.diffusion import vent_steepness
from soakmon.physics.geometry import BenchGeometry, Bottle, Bowl, Hose, Vent
from soakmon.reach_config import InfluxSection, LookoutSection, MqttSection, PhoneSection
from soakmon.soak_config import (
    BottleSection,
    FuelSection,
    HoseSection,
    PriorsSection,
    RackSection,
    SoakSection,
)
from soakmon.watch.settings import REFERENCE_C, Priors, Settings

# Where messages go and who may call: no business of those who read a report.
PRIVATE = frozenset({"mqtt", "influx", "phone", "lookout", "page"})


# Beliefs that `bench init` of earlier versions wrote out, all of them together.
_WRITTEN = {
    "hose": {"permeation_g_per_m2_day": 122.0},
    "priors": {"bottle_rel_sd": 0.15, "hose_rel_sd": 0.25, "bowls_rel_sd": 0.15},
}


class Bench(Section):
    """All of bench.toml."""

    bottle: BottleSection = Field(default_factory=BottleSection)
    hose: HoseSection = Field(default_factory=HoseSection)
    rack: RackSection = Field(default_factory=RackSection)
    fuel: FuelSection = Field(default_factory=FuelSection)
    soak: SoakSection = Field(default_factory=SoakSection)
    priors: PriorsSection = Field(default_factory=PriorsSection)
    cell: CellSection = Field(default_factory=CellSection)
    gates: GatesSection = Field(default_factory=GatesSection)
    thermometer: ThermometerSection = Field(default_factory=ThermometerSection)
    valve: ValveSection = Field(default_factory=ValveSection)
    panel: PanelSection = Field(default_factory=PanelSection)
    vapour: VapourSection = Field(default_factory=VapourSection)
    guard: GuardSection = Field(default_factory=GuardSection)
    service: ServiceSection = Field(default_factory=ServiceSection)
    mqtt: MqttSection = Field(default_factory=MqttSection)
    influx: InfluxSection = Field(default_factory=InfluxSection)
    phone: PhoneSection = Field(default_factory=PhoneSection)
    lookout: LookoutSection = Field(default_factory=LookoutSection)
    page: PageSection = Field(default_factory=PageSection)

    @model_validator(mode="before")
    @classmethod
    def _unsaid(cls, table: Any) -> Any:
        """Drop what earlier versions wrote into every file by themselves: nobody has said it."""
        if not isinstance(table, dict):
            return table
        for section, keys in _WRITTEN.items():
            if not isinstance(table.get(section), dict):
                return table
            if any(table[section].get(key) != value for key, value in keys.items()):
                return table
        fresh = {k: dict(v) if isinstance(v, dict) else v for k, v in table.items()}
        for section, keys in _WRITTEN.items():
            for key in keys:
                del fresh[section][key]
        return fresh

    @model_validator(mode="after")
    def _enough(self) -> Bench:
        need = self.rack.carbs * self.rack.bowl_volume_ml
        if self.bottle.fill_ml <= need:
            raise ValueError(
                f"bottle.fill_ml is {self.bottle.fill_ml:g} but the bowls alone take {need:g} ml: "
                "fill more or use a larger bottle"
            )
        if "lookout" in self.model_fields_set and self.lookout.silent_s < 2 * self.mqtt.heartbeat_s:
            raise ValueError(
                f"lookout.silent_s is {self.lookout.silent_s:g} but mqtt.heartbeat_s is "
                f"{self.mqtt.heartbeat_s:g}: less than two heartbeats are no silence"
            )
        self._no_pin_twice()
        if self.gates.pins and "gates" in self.model_fields_set:
            gates = len(self.gates.pins)
            if gates != self.rack.carbs:
                raise ValueError(
                    f"gates.pins names {gates} gates but rack.carbs is {self.rack.carbs}"
                )
        return self

    def _no_pin_twice(self) -> None:
        """A pin that two parts want would look like one that another program holds for a while."""
        panel, cell = self.panel, self.cell
        wanted = [("gates.pins", pin) for pin in self.gates.pins]
        if self.valve.driver == "pin":
            wanted.append(("valve.pin", self.valve.pin))
        if self.vapour.fitted:
            wanted.append(("vapour.pin", self.vapour.pin))
        if panel.fitted:
            names = ("lamp_pin", "buzzer_pin", "button_pin")
            wanted += [(f"panel.{name}", getattr(panel, name)) for name in names]
        if cell.driver == "hx711_pins":
            wanted += [("cell.data_pin", cell.data_pin), ("cell.clock_pin", cell.clock_pin)]
        taken: dict[int, str] = {}
        for name, pin in wanted:
            if pin in taken:
                raise ValueError(f"{taken[pin]} and {name} name the same GPIO {pin}")
            taken[pin] = name

    def _hose(self) -> HoseBelief:
        """What the hose lets through of this fuel, and how sure that is."""
        rated = self.hose.permeation_g_per_m2_day
        if rated is not None:
            return HoseBelief(rated, RATED_HOSE_LOG_SD)
        return hose_belief(self.hose.kind, self.fuel.ethanol)

    def _priors(self) -> Priors:
        """The beliefs; what was left open is as far apart as benches of which no more is told."""
        hose, section = self._hose(), self.priors
        vapour = FRESH_FUEL_LOG_SD if self.fuel.age == "fresh" else OLD_FUEL_LOG_SD
        measured = self.rack.vents == "measured"
        untold = {
            "bottle_rel_sd": BOTTLE_LOG_SD,
            "hose_rel_sd": hose.log_sd,
            "bowls_rel_sd": MEASURED_BOWLS_LOG_SD if measured else BOWLS_LOG_SD,
        }
        given = {k: v for k, v in section.model_dump().items() if v is not None}
        return Priors(
            **{**untold, **given},
            vapour_rel_sd=vapour * vent_steepness(self.fuel.fuel(), REFERENCE_C),
            low_hose=hose.low,
            bowls_scale=MEASURED_BOWLS_SCALE if measured else BOWLS_SCALE,
            doubt=DOUBT_MEASURED if measured else DOUBT,
        )

    def settings(self) -> Settings:
        """The same as the decider takes it."""
        bottle, rack = self.bottle, self.rack
        bowl = Bowl(
            rack.bowl_volume_ml,
            rack.bowl_area_mm2,
            rack.headroom_mm,
            rack.lip_radius_mm,
            Vent(rack.vent_bore_mm, rack.vent_length_mm),
        )
        geometry = BenchGeometry(
            Bottle(
                bottle.capacity_ml,
                bottle.fill_ml,
                Vent(bottle.vent_bore_mm, bottle.vent_length_mm),
            ),
            Hose(self.hose.bore_mm, self.hose.length_mm, self._hose().g_per_m2_day),
            (bowl,) * rack.carbs,
            rack.head_mm,
        )
        return Settings(
            geometry,
            self.fuel.fuel(),
            self._priors(),
            self.soak.criterion_g_per_day,
            self.soak.false_alarm,
            60.0 * self.soak.settle_min,
            # Left at the default, nobody has measured them.
            bowls_measured=rack.bowl_volume_ml
            != RackSection.model_fields["bowl_volume_ml"].default,
        )
