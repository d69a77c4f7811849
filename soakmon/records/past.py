"""The evaporation of a soak as its job record keeps it, and the past soaks read back.

They are of the bench as it was: only soaks with the same bottle, hose and fuel count.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Annotated, Any

from pydantic import BaseModel, Field, JsonValue, ValidationError

from soakmon.watch.decision import Decision
from soakmon.watch.past import PastSoak
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Outcome, Verdict

KEY = "evaporation"
# A shorter soak weighs the needles' sips rather than what evaporates.
_LEAST_H = 12.0


Grams = Annotated[float, Field(ge=0, le=1e5, allow_inf_nan=False)]


class PastEvaporation(BaseModel):
    """As a job record keeps it; a record may come from elsewhere, so it is checked.

    of: bottle, hose and fuel. For the rest see `PastSoak`.
    """

    lost_g: Annotated[float, Field(allow_inf_nan=False)]
    feed_g: Grams
    bowls_g: Grams
    spare_g: Grams | None
    of: dict[str, JsonValue]


def evaporation_of(decision: Decision, settings: Settings) -> dict[str, JsonValue] | None:
    """What a soak says of later ones; None when it says nothing.

    Tight, or without a leak at a gate but with more lost than any expectation.
    """
    verdict, curve = decision.verdict, decision.curve
    if not len(curve.t_s) or verdict.observed_loss_g is None:
        return None
    hours = float(curve.t_s[-1] - curve.t_s[0]) / 3600
    spare_g = _spare_g(verdict, settings, hours)
    if hours < _LEAST_H or (spare_g is None and not _lost_more(verdict)):
        return None
    feed, bowls = settings.priors.scales
    return PastEvaporation(
        lost_g=round(verdict.observed_loss_g - float(curve.top_up_g[-1]), 4),
        feed_g=round(float(curve.feed_g[-1]) / feed, 4),
        bowls_g=round(float(curve.bowls_g[-1]) / bowls, 4),
        spare_g=spare_g,
        of=_of(settings),
    ).model_dump()


def past_soaks(data: Iterable[Mapping[str, Any]], settings: Settings) -> list[PastSoak]:
    """The soaks among the data of results that were of such a bottle, hose and fuel."""
    soaks = [soak for soak in map(_read, data) if soak is not None and soak.of == _of(settings)]
    return [PastSoak(soak.lost_g, soak.feed_g, soak.bowls_g, soak.spare_g) for soak in soaks]


def soaks_by_bench(
    results: Iterable[tuple[str, Mapping[str, Any]]], settings: Settings
) -> dict[str, list[PastSoak]]:
    """The same of all benches of the kind, by whose they are, in the order given.

    results: whose it is, and the data of a result. Of a kind is the same fuel, the same bottle and
    a hose of the same wall, however long.
    """
    by_bench: dict[str, list[PastSoak]] = {}
    kind = _kind(_of(settings))
    for whose, data in results:
        form = _read(data)
        if form is not None and _kind(form.of) == kind:
            soak = PastSoak(form.lost_g, form.feed_g, form.bowls_g, form.spare_g)
            by_bench.setdefault(whose, []).append(soak)
    return by_bench


def _kind(of: Mapping[str, Any]) -> tuple[Any, ...]:
    hose = of.get("hose")
    wall = hose.get("permeation_g_per_m2_day") if isinstance(hose, Mapping) else None
    return of.get("fuel"), of.get("bottle"), wall


def _read(data: Mapping[str, Any]) -> PastEvaporation | None:
    try:
        return PastEvaporation.model_validate(data.get(KEY))
    except ValidationError:
        return None


def _spare_g(verdict: Verdict, settings: Settings, hours: float) -> float | None:
    """How much more a tight soak could have lost; None for one that was not found tight."""
    if verdict.outcome is not Outcome.TIGHT:
        return None
    most_g = hours * settings.criterion_g_per_day / 24
    return round(max(most_g - hours * verdict.leak_g_per_h.high, 0.0), 4)


def _lost_more(verdict: Verdict) -> bool:
    seen = any(alarm.carb is not None for alarm in verdict.alarms)
    lost = verdict.observed_loss_g
    return not seen and lost is not None and lost > verdict.expected_evaporation_g.high


def _of(settings: Settings) -> dict[str, JsonValue]:
    """What the evaporation depends on; how full the bottle was is in the expectation already."""
    bottle = asdict(settings.geometry.bottle)
    del bottle["fill_ml"]
    return {"bottle": bottle, "hose": asdict(settings.geometry.hose), "fuel": asdict(settings.fuel)}
