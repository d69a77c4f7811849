"""Bench tests of the carburettors judged: from a filled-in form to its result."""

from __future__ import annotations

from collections.abc import Sequence

from soakmon.texts import say
from soakmon.watch.figures import places_of, plain, rounded_down, rounded_up, written
from soakmon.watch.settings import Settings
from soakmon.weigh.counts import Rate
from soakmon.weigh.drain import BowlDrain, drained
from soakmon.weigh.float_weigh import FloatWeighing, weighed
from soakmon.weigh.forms import DrainForm, FloatsForm, Form, IsolationForm, ShotsForm
from soakmon.weigh.isolation import WORDS, DripCourse, Isolated, Watched, isolated
from soakmon.weigh.result import BenchTestResult, Data, with_uncertainty
from soakmon.weigh.shots import Shots, pumped


def drain(form: DrainForm, settings: Settings) -> BenchTestResult:
    """Judge drained bowls."""
    bowls = drained(
        form.cups_g,
        settings.fuel,
        form.fuel_c,
        [bowl.area_mm2 for bowl in settings.geometry.bowls],
        resolution_g=form.resolution_g,
        repeatability_g=form.repeatability_g,
        tolerance_mm=form.tolerance_mm,
    )
    lines = tuple(
        say(
            "judge.carb_level_against_what_most",
            carb=b.carb,
            ml=with_uncertainty(b.volume_ml, "ml"),
            mm=with_uncertainty(b.level_mm, "mm"),
            differs=" – DIFFERS" if b.differs else "",
        )
        for b in bowls
    )
    odd = [str(b.carb) for b in bowls if b.differs]
    alike = (
        say("judge.bowls_alike_within_mm", tolerance_mm=f"{form.tolerance_mm:g}")
        if len(bowls) > 1
        else say("judge.one_bowl")
    )
    summary = say("judge.levels_differ_carb", odd=", ".join(odd)) if odd else alike
    pairs = zip(bowls, form.cups_g, strict=True)
    readings = [_bowl_data(bowl, cup_g) for bowl, cup_g in pairs]
    return BenchTestResult("drain", not odd, summary, lines, _data(readings, form))


def _bowl_data(bowl: BowlDrain, cup_g: Sequence[float]) -> Data:
    return {
        "carb": bowl.carb,
        "empty_g": cup_g[0],
        "full_g": cup_g[1],
        "volume_ml": bowl.volume_ml.value,
        "volume_u_ml": bowl.volume_ml.u,
        "volume_expanded_ml": bowl.volume_ml.expanded,
        "level_mm": bowl.level_mm.value,
        "level_u_mm": bowl.level_mm.u,
        "level_expanded_mm": bowl.level_mm.expanded,
    }


def shots(form: ShotsForm, settings: Settings) -> BenchTestResult:
    """Judge accelerator-pump shots."""
    result = pumped(
        form.series_g,
        form.strokes,
        settings.fuel,
        form.fuel_c,
        resolution_g=form.resolution_g,
        repeatability_g=form.repeatability_g,
    )
    lines = [
        say("judge.carb_stroke", carb=s.carb, ml=with_uncertainty(s.ml_per_stroke, "ml"))
        + (say("judge.gives_no_fuel") if s.carb in result.dead else "")
        for s in result.shots
    ]
    even, summary = result.even(), _spread(result)
    lines.append(f"{summary}: {'good' if even else 'NOT GOOD'}")
    readings = [
        {
            "carb": s.carb,
            "ml_per_stroke": s.ml_per_stroke.value,
            "u_ml": s.ml_per_stroke.u,
            "expanded_ml": s.ml_per_stroke.expanded,
        }
        for s in result.shots
    ]
    spread = None if result.spread is None else result.spread.as_dict()
    data = {**_data(readings, form), "spread": spread}
    return BenchTestResult("shots", even, summary, tuple(lines), data)


def _spread(result: Shots) -> str:
    """How far the pumps are from one another, in words; or which of them gives nothing."""
    if result.dead:
        return say("judge.no_fuel_from_pump_carb", dead=", ".join(map(str, result.dead)))
    if result.spread is None:
        return say("judge.one_pump_has_no_spread")
    return say(
        "judge.spread",
        value=f"{100 * result.spread.value:.1f}",
        expanded=f"{100 * result.spread.expanded:.1f}",
    )


def floats(form: FloatsForm) -> BenchTestResult:
    """Judge floats weighed dry and after their soak."""
    results = [
        weighed(
            f.carb,
            f.dry_g,
            f.soaked_g,
            resolution_g=form.resolution_g,
            repeatability_g=form.repeatability_g,
        )
        for f in form.floats
    ]
    lines = tuple(
        say("judge.carb_gains", carb=r.carb, g=with_uncertainty(r.gain_g, "g"))
        + (say("judge.takes_fuel") if r.takes_fuel else "")
        for r in results
    )
    bad = [str(r.carb) for r in results if r.takes_fuel]
    summary = (
        say("judge.float_takes_fuel_carb", bad=", ".join(bad))
        if bad
        else say("judge.no_float_takes_fuel")
    )
    data = _data([_float_data(result) for result in results], form)
    return BenchTestResult("float", not bad, summary, lines, data)


def _float_data(weighing: FloatWeighing) -> Data:
    return {
        "carb": weighing.carb,
        "dry_g": weighing.dry_g.value,
        "soaked_g": weighing.soaked_g.value,
        "gain_g": weighing.gain_g.value,
        "gain_u_g": weighing.gain_g.u,
        "gain_expanded_g": weighing.gain_g.expanded,
    }


def isolation(form: IsolationForm, settings: Settings) -> BenchTestResult:
    """Judge what drips with the feed shut."""
    watched = Watched(form.before_min, form.after_min, settings.priors.dark_per_h)
    results = [
        isolated(carb, counts.before, counts.after, watched, last_drop_min=counts.last_drop_min)
        for carb, counts in enumerate(form.carbs, start=1)
    ]
    lines = tuple(
        say(
            "judge.carb_feed_without",
            carb=r.carb,
            h=_drops(r.open_per_h),
            h2=_drops(r.shut_per_h),
            way=WORDS[r.way],
            r=_longer(r),
        )
        for r in results
    )
    wet = [
        say("judge.carb", carb=r.carb, way=r.way) for r in results if r.way is not DripCourse.DRY
    ]
    summary = say("judge.feed_shut", wet=", ".join(wet)) if wet else say("judge.no_drops")
    data = _data([_isolated_data(result) for result in results], form)
    return BenchTestResult("isolation", not wet, summary, lines, data)


def _isolated_data(result: Isolated) -> Data:
    return {
        "carb": result.carb,
        "open_per_h": result.open_per_h.value,
        "open_u_per_h": result.open_per_h.u,
        "open_limits_per_h": [result.open_per_h.low, result.open_per_h.high],
        "shut_per_h": result.shut_per_h.value,
        "shut_u_per_h": result.shut_per_h.u,
        "shut_limits_per_h": [result.shut_per_h.low, result.shut_per_h.high],
        "way": str(result.way),
    }


def _drops(counted: Rate) -> str:
    """A rate with its limits, 95 %."""
    places = places_of(counted.high - counted.low, 2)
    return say(
        "judge.drops_per_h",
        per_h=plain(counted.value, 3),
        low=written(rounded_down(counted.low, places), places),
        high=written(rounded_up(counted.high, places), places),
    )


def _longer(result: Isolated) -> str:
    """How much longer to watch, where it could not be told."""
    if result.way is not DripCourse.UNTOLD:
        return ""
    if result.needed_min is None:
        return say("judge.first_feed_open_until_drops")
    return say("judge.min_after_shutting_feed_all", needed_min=f"{result.needed_min:.0f}")


def _data(readings: list[Data], form: Form) -> Data:
    return {"readings": readings, "form": form.model_dump(mode="json")}
