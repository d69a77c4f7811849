"""What the records told a soak when it began, as plain values.

It is kept in the journal with the soak: a job that is edited later, another calibration or another
version of the program do not change what the soak was judged by, nor its report.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from pydantic import JsonValue

from soakmon.records.journal import Event
from soakmon.records.priors import Shift
from soakmon.watch.fleet_prior import FleetPrior
from soakmon.watch.past import Past
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Cause

EVENT = "record"


@dataclass(frozen=True, slots=True)
class SoakContext:
    """Job, calibration and circumstances of a soak.

    shifts: what the job record says of each carb. calibration: in words; calibrated: whether it is
    in force. namesake: that the records know another bench of this name, in words. past: what past
    tight soaks of the bench say; fleet: what those of the shop's other benches do; zero_g_per_c,
    dark_per_h: in place of what bench.toml says, for what cells and gates of the kind have shown
    (None: as it says); odd: what of its own departs from its kind, in words. utc_offset_s: the
    shop's clock against UTC. versions: of the programs that watched. invented: the bench is a
    simulated one. rack_full: who began the soak said that the rack was full already. zone: how the
    shop's clock is named. renewed: parts that the job's record says were renewed, with their carb.
    before: what the job's last soak showed, in words, and what had been renewed by then. reference:
    what the bench found of a known leak, in words; referred: whether it found it.
    """

    job: str = ""
    customer: str = ""
    machine: str = ""
    rack: str = ""
    shifts: Mapping[int, Shift] = field(default_factory=dict)
    calibration: str = ""
    calibrated: bool = False
    namesake: str = ""
    past: Past = field(default_factory=Past)
    fleet: FleetPrior = field(default_factory=FleetPrior)
    zero_g_per_c: float | None = None
    dark_per_h: float | None = None
    odd: tuple[str, ...] = ()
    utc_offset_s: float = 0.0
    versions: Mapping[str, str] = field(default_factory=dict)
    invented: bool = False
    rack_full: bool = False
    zone: str = ""
    renewed: tuple[str, ...] = ()
    before: str = ""
    renewed_before: tuple[str, ...] = ()
    reference: str = ""
    referred: bool = False

    def applied(self, settings: Settings) -> Settings:
        """The settings of a bench with what the records say of causes and of past soaks."""
        shift = {carb: shift_of.factor for carb, shift_of in self.shifts.items()}
        priors = replace(settings.priors, past=self.past, fleet=self.fleet)
        if self.zero_g_per_c is not None:
            priors = replace(priors, zero_g_per_c=self.zero_g_per_c)
        if self.dark_per_h is not None:
            priors = replace(priors, dark_per_h=self.dark_per_h)
        return replace(settings, cause_shift=shift, priors=priors, rack_full=self.rack_full)

    def as_dict(self) -> dict[str, JsonValue]:
        """As JSON types."""
        plain = {name: getattr(self, name) for name in _PLAIN}
        shifts = {
            str(carb): {
                "factor": {str(cause): by for cause, by in shift.factor.items()},
                "because": list(shift.because),
            }
            for carb, shift in self.shifts.items()
        }
        past = asdict(self.past)
        return {
            **plain,
            "namesake": self.namesake,
            "rack_full": self.rack_full,
            "zone": self.zone,
            "renewed": list(self.renewed),
            "before": self.before,
            "renewed_before": list(self.renewed_before),
            "reference": self.reference,
            "referred": self.referred,
            "past": past,
            "fleet": asdict(self.fleet),
            "zero_g_per_c": self.zero_g_per_c,
            "dark_per_h": self.dark_per_h,
            "odd": list(self.odd),
            "versions": dict(self.versions),
            "shifts": shifts,
        }


_PLAIN = (
    "job", "customer", "machine", "rack", "calibration", "calibrated", "utc_offset_s", "invented",
)  # fmt: skip


def context_from(data: Mapping[str, Any]) -> SoakContext:
    """What `as_dict` gave."""
    shifts = {
        int(carb): Shift(
            {Cause(cause): float(by) for cause, by in shift["factor"].items()},
            tuple(shift["because"]),
        )
        for carb, shift in data["shifts"].items()
    }
    return SoakContext(
        **{name: data[name] for name in _PLAIN},
        # Journals of earlier versions lack these.
        namesake=data.get("namesake", ""),
        rack_full=bool(data.get("rack_full", False)),
        zone=data.get("zone", ""),
        renewed=tuple(data.get("renewed", ())),
        before=data.get("before", ""),
        renewed_before=tuple(data.get("renewed_before", ())),
        reference=data.get("reference", ""),
        referred=bool(data.get("referred", False)),
        past=Past(**data.get("past", {})),
        fleet=_fleet(data.get("fleet", {})),
        zero_g_per_c=data.get("zero_g_per_c"),
        dark_per_h=data.get("dark_per_h"),
        odd=tuple(data.get("odd", ())),
        versions=dict(data["versions"]),
        shifts=shifts,
    )


def _fleet(data: Mapping[str, Any]) -> FleetPrior:
    keeps = tuple((float(ratio), float(share)) for ratio, share in data.get("keeps", ()))
    return FleetPrior(**{**data, "keeps": keeps})


def context_in(events: Iterable[Event]) -> SoakContext:
    """What the events of a soak hold of it; nothing for a soak that was told nothing."""
    context_event = next((event for event in events if event.kind == EVENT), None)
    return context_from(context_event.data) if context_event is not None else SoakContext()
