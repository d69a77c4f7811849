"""From a filled-in form to a report of a bench test: lines to read, data to keep, passed or not."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from soakmon.texts import say
from soakmon.watch.figures import (
    at_most,
    places_of,
    plain,
    rounded_down,
    rounded_up,
    written,
)
from soakmon.watch.settings import Settings
from soakmon.weigh.at_rest import Zero
from soakmon.weigh.blank_run import BlankRun, blank_weighed
from soakmon.weigh.calibration import (
    Calibration,
    Step,
    calibrate,
    daily_check,
)
from soakmon.weigh.counts import Rate
from soakmon.weigh.drain import drained
from soakmon.weigh.float_weigh import weighed
from soakmon.weigh.forms import (
    BlankForm,
    CalibrationForm,
    DailyForm,
    DrainForm,
    FloatsForm,
    Form,
    IsolationForm,
    ShotsForm,
)
from soakmon.weigh.isolation import WORDS, DripCourse, Isolated, Watched, isolated
from soakmon.weigh.oiml import CellClass, Judgement
from soakmon.weigh.shots import pumped
from soakmon.weigh.uncertainty import Measured


@dataclass(frozen=True, slots=True)
class BenchTestResult:
    """Result of a bench test: summary in a line, lines to show, data to keep."""

    kind: str
    passed: bool
    summary: str
    lines: tuple[str, ...]
    data: dict[str, Any] = field(default_factory=dict)


def _full_g(settings: Settings) -> float:
    """Fuel in the bottle as it is filled."""
    return settings.geometry.bottle.fill_ml * settings.fuel.density_15c_kg_per_m3 * 1e-3


def calibration(form: CalibrationForm, settings: Settings, day: date) -> BenchTestResult:
    """Judge a calibration made on a day."""
    steps = [Step(s.mass_g, s.reading, s.up, form.mass_u_g) for s in form.steps]
    result = calibrate(
        steps,
        CellClass(form.capacity_g, form.intervals),
        day,
        full_g=_full_g(settings),
        creep=form.creep,
        returned_g=form.returned_g,
        zeros=[Zero(z.air_c, z.reading, z.kpa) for z in form.zeros],
        v_min_g=form.v_min_g,
        repeatability_g=form.repeatability_g,
        resolution_counts=form.resolution_counts,
        valid_days=form.valid_days,
    )
    lines = [_against_limit(j) for j in result.judgements]
    gain = result.g_per_count
    lines += [
        say("judge.force_until", expires=result.expires)
        if result.passed
        else say("judge.not_passed_not_force"),
        "in bench.toml:",
        "[cell]",
        f"g_per_count = {gain.value:.9g}  # ± {gain.expanded:.2g} (95 %)",
        f"zero_counts = {result.zero_counts:.9g}",
    ]
    worst = max((abs(r) for r in result.residuals_g), default=0.0)
    word = "passed" if result.passed else say("judge.not_passed")
    summary = say(
        "judge.g_per_count_worst_step", word=word, value=f"{gain.value:.6g}", worst=f"{worst:.3f}"
    )
    return BenchTestResult(
        "calibration", result.passed, summary, tuple(lines), _calibration(form, result)
    )


def _against_limit(said: Judgement) -> str:
    """A property in words."""
    known = f" ± {at_most(said.expanded_g)} g" if said.expanded_g else " g"
    word = "good" if said.ok else say("judge.too_much")
    if said.ok and not said.told:
        word = say("judge.open_readings_scatter_more_than")
    return say(
        "judge.limit_g",
        name=said.name,
        value_g=f"{said.value_g:+.4f}",
        known=known,
        limit_g=f"{said.limit_g:.4f}",
        word=word,
    )


def _calibration(form: CalibrationForm, result: Calibration) -> dict[str, Any]:
    readings = [
        {**step.model_dump(), "residual_g": residual}
        for step, residual in zip(form.steps, result.residuals_g, strict=True)
    ]
    return {
        "day": result.day.isoformat(),
        "expires": result.expires.isoformat(),
        "passed": result.passed,
        "g_per_count": result.g_per_count.value,
        "g_per_count_u": result.g_per_count.u,
        "g_per_count_expanded": result.g_per_count.expanded,
        "zero_counts": result.zero_counts,
        "repeat_sd_g": result.repeat_sd_g,
        "judgements": [
            {
                "name": j.name,
                "value_g": j.value_g,
                "expanded_g": j.expanded_g,
                "limit_g": j.limit_g,
                "ok": j.ok,
            }
            for j in result.judgements
        ],
        "readings": readings,
        "form": form.model_dump(mode="json"),
    }


def daily(form: DailyForm, settings: Settings) -> BenchTestResult:
    """Judge a daily check."""
    said = daily_check(
        form.reading_g,
        form.mass_g,
        CellClass(form.capacity_g, form.intervals),
        full_g=_full_g(settings),
        empty_g=form.empty_g,
        mass_u_g=form.mass_u_g,
        repeatability_g=form.repeatability_g,
    )
    known = f" ± {at_most(said.expanded_g)} g" if said.expanded_g else " g"
    text = say(
        "judge.off_g_limit_g",
        value_g=f"{said.value_g:+.3f}",
        known=known,
        mass_g=f"{form.mass_g:g}",
        limit_g=f"{said.limit_g:.3f}",
    )
    text += say("judge.good") if said.ok else say("judge.calibrate_cell")
    # Off for good by so much; what mass and readings leave open is in it.
    limit_g = said.limit_g + said.expanded_g
    data = {"error_g": said.value_g, "limit_g": limit_g, "form": form.model_dump(mode="json")}
    return BenchTestResult("daily_check", said.ok, text, (text,), data)


def blank(form: BlankForm, settings: Settings) -> BenchTestResult:
    """Judge a blank run weighed at both ends."""
    result = blank_weighed(
        settings.geometry,
        settings.fuel,
        form.hours,
        form.air_c,
        before_g=form.before_g,
        after_g=form.after_g,
        resolution_g=form.resolution_g,
        repeatability_g=form.repeatability_g,
        drift_g=form.drift_g,
    )
    return told_blank(result, form.model_dump(mode="json"))


def told_blank(result: BlankRun, form: dict[str, Any]) -> BenchTestResult:
    """A blank run in words."""
    lines = [
        say(
            "judge.lost_h_expected_g",
            g=_pm(result.measured_g, "g"),
            hours=f"{result.hours:.1f}",
            expected_g=f"{result.expected_g:.3f}",
        ),
        say("judge.as_another_day_will_see", blank_rel_sd=f"{100 * result.blank_rel_sd:.2g}"),
        "in bench.toml:" if result.believable else say("judge.not_believable_look_leak_bench"),
    ]
    if result.believable:
        lines += [
            "[priors]",
            f"blank_scale = {result.blank_scale:.4f}",
            f"blank_rel_sd = {result.blank_rel_sd:.4f}",
        ]
    summary = say("bench_facts.bottle_hose_lose_expected", blank_scale=f"{result.blank_scale:.3g}")
    data = {
        "hours": result.hours,
        "measured_g": result.measured_g.as_dict(),
        "expected_g": result.expected_g,
        "blank_scale": result.blank_scale,
        "blank_rel_sd": result.blank_rel_sd,
        "form": form,
    }
    return BenchTestResult("blank_run", result.believable, summary, tuple(lines), data)


def drain(form: DrainForm, settings: Settings) -> BenchTestResult:
    """Judge drained bowls."""
    areas = [bowl.area_mm2 for bowl in settings.geometry.bowls]
    bowls = drained(
        form.cups_g,
        settings.fuel,
        form.fuel_c,
        areas,
        resolution_g=form.resolution_g,
        repeatability_g=form.repeatability_g,
        tolerance_mm=form.tolerance_mm,
    )
    lines = tuple(
        say(
            "judge.carb_level_against_what_most",
            carb=b.carb,
            ml=_pm(b.volume_ml, "ml"),
            mm=_pm(b.level_mm, "mm"),
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
    readings = [
        {
            "carb": b.carb,
            "empty_g": cup[0],
            "full_g": cup[1],
            "volume_ml": b.volume_ml.value,
            "volume_u_ml": b.volume_ml.u,
            "volume_expanded_ml": b.volume_ml.expanded,
            "level_mm": b.level_mm.value,
            "level_u_mm": b.level_mm.u,
            "level_expanded_mm": b.level_mm.expanded,
        }
        for b, cup in zip(bowls, form.cups_g, strict=True)
    ]
    return BenchTestResult("drain", not odd, summary, lines, _kept(readings, form))


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
        say("judge.carb_stroke", carb=s.carb, ml=_pm(s.ml_per_stroke, "ml"))
        + (say("judge.gives_no_fuel") if s.carb in result.dead else "")
        for s in result.shots
    ]
    even, spread = result.even(), say("judge.one_pump_has_no_spread")
    if result.spread is not None:
        spread = say(
            "judge.spread",
            value=f"{100 * result.spread.value:.1f}",
            expanded=f"{100 * result.spread.expanded:.1f}",
        )
    if result.dead:
        spread = say("judge.no_fuel_from_pump_carb", dead=", ".join(map(str, result.dead)))
    lines.append(f"{spread}: {'good' if even else 'NOT GOOD'}")
    readings = [
        {
            "carb": s.carb,
            "ml_per_stroke": s.ml_per_stroke.value,
            "u_ml": s.ml_per_stroke.u,
            "expanded_ml": s.ml_per_stroke.expanded,
        }
        for s in result.shots
    ]
    told = None if result.spread is None else result.spread.as_dict()
    data = {**_kept(readings, form), "spread": told}
    return BenchTestResult("shots", even, spread, tuple(lines), data)


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
        say("judge.carb_gains", carb=r.carb, g=_pm(r.gain_g, "g"))
        + (say("judge.takes_fuel") if r.takes_fuel else "")
        for r in results
    )
    bad = [str(r.carb) for r in results if r.takes_fuel]
    summary = (
        say("judge.float_takes_fuel_carb", bad=", ".join(bad))
        if bad
        else say("judge.no_float_takes_fuel")
    )
    readings = [
        {
            "carb": r.carb,
            "dry_g": r.dry_g.value,
            "soaked_g": r.soaked_g.value,
            "gain_g": r.gain_g.value,
            "gain_u_g": r.gain_g.u,
            "gain_expanded_g": r.gain_g.expanded,
        }
        for r in results
    ]
    return BenchTestResult("float", not bad, summary, lines, _kept(readings, form))


def isolation(form: IsolationForm, settings: Settings) -> BenchTestResult:
    """Judge what drips with the feed shut."""
    watched = Watched(form.before_min, form.after_min, settings.priors.dark_per_h)
    results = [
        isolated(carb, one.before, one.after, watched, last_drop_min=one.last_drop_min)
        for carb, one in enumerate(form.carbs, start=1)
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
    readings = [
        {
            "carb": r.carb,
            "open_per_h": r.open_per_h.value,
            "open_u_per_h": r.open_per_h.u,
            "open_limits_per_h": [r.open_per_h.low, r.open_per_h.high],
            "shut_per_h": r.shut_per_h.value,
            "shut_u_per_h": r.shut_per_h.u,
            "shut_limits_per_h": [r.shut_per_h.low, r.shut_per_h.high],
            "way": str(r.way),
        }
        for r in results
    ]
    summary = say("judge.feed_shut", wet=", ".join(wet)) if wet else say("judge.no_drops")
    return BenchTestResult("isolation", not wet, summary, lines, _kept(readings, form))


def _drops(counted: Rate) -> str:
    """A rate with its limits, 95 %."""
    places = places_of(counted.high - counted.low, 2)
    return say(
        "judge.drops_per_h",
        per_h=plain(counted.value, 3),
        low=written(rounded_down(counted.low, places), places),
        high=written(rounded_up(counted.high, places), places),
    )


def _longer(found: Isolated) -> str:
    if found.way is not DripCourse.UNTOLD:
        return ""
    if found.needed_min is None:
        return say("judge.first_feed_open_until_drops")
    return say("judge.min_after_shutting_feed_all", needed_min=f"{found.needed_min:.0f}")


def _kept(readings: list[dict[str, Any]], form: Form) -> dict[str, Any]:
    return {"readings": readings, "form": form.model_dump(mode="json")}


def _pm(measured: Measured, unit: str) -> str:
    """A value with the digits that its uncertainty leaves, which is rounded up (GUM 7.2.6)."""
    if measured.expanded == 0:
        return f"{plain(measured.value, 3)} {unit}"
    places = places_of(measured.expanded, 2)
    expanded = written(rounded_up(measured.expanded, places), places)
    return f"{round(measured.value, places) + 0.0:.{max(places, 0)}f} ± {expanded} {unit}"
