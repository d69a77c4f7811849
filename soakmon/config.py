"""bench.toml: the bench, rack, fuel and beliefs, checked and explained.

The models below are the only place where a key lives: the commented example is made from them.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import Field, ValidationError, model_validator

from soakmon.errors import InputError
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
    Ethanol,
    HoseBelief,
    HoseKind,
    hose_belief,
)
from soakmon.physics.diffusion import vent_steepness
from soakmon.physics.fuels import FUELS, Fuel
from soakmon.physics.geometry import BenchGeometry, Bottle, Bowl, Hose, Vent
from soakmon.reach_config import InfluxSection, LookoutSection, MqttSection, PhoneSection
from soakmon.toml_text import read_text, table_of
from soakmon.watch.settings import REFERENCE_C, Priors, Settings

FuelName = Literal[
    "petrol_a", "petrol_b", "petrol_c", "petrol_d", "petrol_e", "petrol_f",
    "alkylate", "test_fluid", "custom",
]  # fmt: skip


VentsKnown = Literal["measured", "unknown"]
FuelAge = Literal["fresh", "unknown"]
# What the decider believes of a bench of which nothing is told.
_TOLD = Settings()


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
        if self.name != "custom":
            return FUELS[self.name]
        rvp, density, tension = (
            self.rvp_kpa, self.density_15c_kg_per_m3, self.surface_tension_20c_n_per_m,
        )  # fmt: skip
        if rvp is None or density is None or tension is None:
            raise ValueError("a custom fuel is not complete")
        return Fuel("custom fuel", rvp, density, tension)


class SoakSection(Section):
    """What the soak has to show."""

    criterion_g_per_day: float = Field(
        default=_TOLD.criterion_g_per_day,
        gt=0,
        le=1000,
        description="a rack that leaks less than this is tight",
    )
    false_alarm: float = Field(
        default=_TOLD.false_alarm,
        gt=0,
        le=0.2,
        description="probability of a false alarm over the whole soak",
    )
    settle_min: float = Field(
        default=_TOLD.settle_s / 60,
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
        default=_TOLD.priors.blank_rel_sd, description="uncertainty of that ratio"
    )
    dark_per_h: float = Field(
        default=_TOLD.priors.dark_per_h,
        gt=0,
        le=60,
        description="counts per hour of a gate under a dry bowl",
    )
    zero_g_per_c: float = Field(
        default=_TOLD.priors.zero_g_per_c,
        ge=0,
        le=5,
        description="zero shift of the load cell per °C (one sd)",
    )
    sip_g: float = Field(
        default=_TOLD.priors.sip_g,
        gt=0,
        le=20,
        description="most that a float needle lets in at one time",
    )


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
        hose, told = self._hose(), self.priors
        vapour = FRESH_FUEL_LOG_SD if self.fuel.age == "fresh" else OLD_FUEL_LOG_SD
        measured = self.rack.vents == "measured"
        untold = {
            "bottle_rel_sd": BOTTLE_LOG_SD,
            "hose_rel_sd": hose.log_sd,
            "bowls_rel_sd": MEASURED_BOWLS_LOG_SD if measured else BOWLS_LOG_SD,
        }
        given = {k: v for k, v in told.model_dump().items() if v is not None}
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


_MOST_PROBLEMS = 10
_MOST_SHOWN = 60


def read_bench(path: Path) -> Bench:
    """Read and check a bench.toml. Raises InputError with one line per problem."""
    return parse_bench(read_text(path), str(path))


def parse_bench(text: str, name: str = "bench.toml") -> Bench:
    """The bench that a TOML text describes. Raises InputError with one line per problem."""
    table = table_of(text, name)
    try:
        return Bench.model_validate(table)
    except ValidationError as error:
        found = error.errors(include_url=False)
        lines = [_line(name, problem) for problem in found[:_MOST_PROBLEMS]]
        if len(found) > _MOST_PROBLEMS:
            lines.append(f"{name}: and {len(found) - _MOST_PROBLEMS} more like these")
        raise InputError("\n".join(lines)) from None


def _line(name: str, problem: Any) -> str:
    where = ".".join(_brief(str(part)) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        return f"{name}: {where}: unknown key{_near(problem['loc'])}"
    text = problem["msg"].removeprefix("Value error, ")
    got = problem.get("input")
    # Words in a private section may be an address with its password.
    plain = (int, float) if problem["loc"] and problem["loc"][0] in PRIVATE else (int, float, str)
    shown = f" (got {_got(got)})" if isinstance(got, plain) else ""
    return f"{name}: {where + ': ' if where else ''}{text[0].lower()}{text[1:]}{shown}"


def _got(value: float | str) -> str:
    """A value that was given, no longer than helps."""
    if isinstance(value, int) and value.bit_length() > 4 * _MOST_SHOWN:
        return "a number of many digits"
    return _brief(repr(value))


def _brief(text: str) -> str:
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + "…"


def _near(place: tuple[Any, ...]) -> str:
    """A guess at what an unknown key was meant to be."""
    model: Any = Bench
    for part in place[:-1]:
        model = model.model_fields[part].annotation
    keys = list(model.model_fields)
    near = difflib.get_close_matches(str(place[-1])[:_MOST_SHOWN], keys, n=1, cutoff=0.5)
    return f": did you mean {near[0]}?" if near else f": there are {', '.join(keys)}"


def example_toml(told: Mapping[str, str] | None = None) -> str:
    """A bench.toml that holds every key with its default, explained.

    told: what is known already, by "section.key".
    """
    told = told or {}
    lines = ["# The bench of soakmon. Every key is optional; these are the defaults.", ""]
    for name, section in Bench.model_fields.items():
        model: Any = section.annotation
        about = " ".join(str(model.__doc__).split())
        lines += [f"# {about}", f"[{name}]"]
        for key, field in model.model_fields.items():
            value = told.get(f"{name}.{key}", field.default)
            lines.append(_entry(key, value, field.description))
        lines.append("")
    return "\n".join(lines)


def _entry(key: str, default: Any, description: str) -> str:
    if default is None:
        return f"# {key} =   # {description}"
    value = tomli_w.dumps({key: default}).strip().partition(" = ")[2]
    value = " ".join(value.replace(",\n]", "]").replace("[\n", "[").split())
    return f"{key} = {value}  # {description}"
