"""bench.toml: bottle, hose, rack, fuel, what the soak has to show and what is believed before."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from soakmon.hardware_config import Section
from soakmon.physics.described import Ethanol, HoseKind, of_unknown_age
from soakmon.physics.fuels import FUELS, Fuel
from soakmon.watch.settings import Settings

FuelName = Literal[
    "petrol_a", "petrol_b", "petrol_c", "petrol_d", "petrol_e", "petrol_f",
    "alkylate", "test_fluid", "custom",
]  # fmt: skip


VentsKnown = Literal["measured", "unknown"]
FuelAge = Literal["fresh", "unknown"]
# What the decider believes of a bench of which nothing is told.
_UNTOLD = Settings()


def _size(default: float, most: float, text: str) -> Any:
    return Field(default=default, gt=0, le=most, description=text)


class BottleSection(Section):
    """The fuel bottle on the load cell."""

    capacity_ml: float = _size(600.0, 10_000, "brim to base")
    fill_ml: float = _size(450.0, 10_000, "fuel in it at the start, before the rack has taken any")
    vent_bore_mm: float = _size(3.0, 50, "inner diameter of the vent passage")
    vent_length_mm: float = _size(40.0, 1000, "length of the vent passage")

    @model_validator(mode="after")
    def _fits(self) -> BottleSection:
        if self.fill_ml > self.capacity_ml:
            raise ValueError("fill_ml is more than capacity_ml: the bottle would overflow")
        return self


class HoseSection(Section):
    """The rubber feed hose, from bottle to rail."""

    bore_mm: float = _size(6.0, 50, "inner diameter")
    length_mm: float = _size(300.0, 10_000, "length between the fittings")
    kind: HoseKind = Field(
        default=HoseKind.UNKNOWN,
        description="what is printed on it: ordinary (R6, R7 or nothing), low_permeation (R9, -15, "
        "an EPA mark), clear, unknown",
    )
    permeation_g_per_m2_day: float | None = Field(
        default=None,
        ge=0,
        le=5000,
        description="what its wall lets through at 23 °C of this fuel, by inner area, where known; "
        "else taken from its kind",
    )


class RackSection(Section):
    """The rack; all bowls alike."""

    carbs: int = Field(default=4, ge=1, le=8, description="number of carburettors")
    head_mm: float = _size(400.0, 3000, "fuel level in the bottle above the needles")
    bowl_volume_ml: float = _size(40.0, 500, "fuel in one bowl at its float level")
    bowl_area_mm2: float = _size(1200.0, 20_000, "free fuel surface in one bowl")
    headroom_mm: float = _size(6.0, 100, "from the float level up to the overflow lip")
    lip_radius_mm: float = _size(1.5, 10, "outer radius of the lip or drip point under a bowl")
    vent_bore_mm: float = _size(6.0, 50, "inner diameter of a bowl's vent passage")
    vent_length_mm: float = _size(60.0, 1000, "length of a bowl's vent passage")
    vents: VentsKnown = Field(
        default="unknown",
        description="measured: bores and lengths are, and overflow pipes are plugged or shut; else "
        "unknown",
    )


class FuelSection(Section):
    """The fuel. For one of your own set name = "custom" and give all three values below it."""

    name: FuelName = Field(
        default="petrol_a",
        description="petrol_a … petrol_f (EN 228 volatility class: a summer … f hard winter), "
        "alkylate, test_fluid or custom",
    )
    ethanol: Ethanol = Field(
        default=Ethanol.UNKNOWN, description="what the pump said: e0, e5, e10 or unknown"
    )
    age: FuelAge = Field(
        default="unknown", description="fresh: of its class, bought for this season; else unknown"
    )
    rvp_kpa: float | None = Field(
        default=None, ge=0.05, le=130, description="Reid vapour pressure at 37.8 °C"
    )
    density_15c_kg_per_m3: float | None = Field(
        default=None, ge=500, le=1100, description="density at 15 °C"
    )
    surface_tension_20c_n_per_m: float | None = Field(
        default=None, ge=0.005, le=0.08, description="surface tension at 20 °C; petrol 0.022"
    )

    @model_validator(mode="after")
    def _complete(self) -> FuelSection:
        own = (self.rvp_kpa, self.density_15c_kg_per_m3, self.surface_tension_20c_n_per_m)
        if self.name == "custom" and None in own:
            raise ValueError(
                "a custom fuel needs rvp_kpa, density_15c_kg_per_m3 and surface_tension_20c_n_per_m"
            )
        if self.name != "custom" and any(value is not None for value in own):
            raise ValueError(
                f'the values of {self.name} are built in: set name = "custom" for others'
            )
        return self

    def fuel(self) -> Fuel:
        """The fuel's properties."""
        if self.name in FUELS:
            usual = FUELS[self.name]
            stood = self.age != "fresh" and self.name.startswith("petrol_")
            return of_unknown_age(usual) if stood else usual
        rvp, density, tension = (
            self.rvp_kpa, self.density_15c_kg_per_m3, self.surface_tension_20c_n_per_m,
        )  # fmt: skip
        if rvp is None or density is None or tension is None:
            raise ValueError("a custom fuel is not complete")
        return Fuel("custom fuel", rvp, density, tension)


class SoakSection(Section):
    """What the soak has to show."""

    criterion_g_per_day: float = Field(
        default=_UNTOLD.criterion_g_per_day,
        gt=0,
        le=1000,
        description="a rack that leaks less than this is tight",
    )
    false_alarm: float = Field(
        default=_UNTOLD.false_alarm,
        gt=0,
        le=0.2,
        description="probability of a false alarm over the whole soak",
    )
    settle_min: float = Field(
        default=_UNTOLD.settle_s / 60,
        ge=0,
        le=240,
        description="from the end of filling to the start of the clock",
    )


RelativeSd = Annotated[float, Field(gt=0, le=2)]


def _spread(text: str) -> Any:
    return Field(default=None, gt=0, le=2, description=text)


class PriorsSection(Section):
    """What is believed before the soak; a blank run replaces the first two."""

    bottle_rel_sd: float | None = _spread(
        "spread of the bottle's evaporation, on a logarithmic scale; unset: as benches differ"
    )
    hose_rel_sd: float | None = _spread("the same of the hose's permeation; unset: as its kind")
    bowls_rel_sd: float | None = _spread("the same of the bowls' evaporation; unset: by its vents")
    blank_scale: float | None = Field(
        default=None, gt=0, le=20, description="blank run: measured over expected loss"
    )
    blank_rel_sd: RelativeSd = Field(
        default=_UNTOLD.priors.blank_rel_sd, description="uncertainty of that ratio"
    )
    dark_per_h: float = Field(
        default=_UNTOLD.priors.dark_per_h,
        gt=0,
        le=60,
        description="counts per hour of a gate under a dry bowl",
    )
    zero_g_per_c: float = Field(
        default=_UNTOLD.priors.zero_g_per_c,
        ge=0,
        le=5,
        description="zero shift of the load cell per °C (one sd)",
    )
    sip_g: float = Field(
        default=_UNTOLD.priors.sip_g,
        gt=0,
        le=20,
        description="most that a float needle lets in at one time",
    )
