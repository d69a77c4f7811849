"""Bench tests of load cell and bottle judged: from a filled-in form to its result."""

from __future__ import annotations

from datetime import date

from soakmon.texts import say
from soakmon.watch.figures import at_most
from soakmon.watch.settings import Settings
from soakmon.weigh.at_rest import Zero
from soakmon.weigh.blank_run import BlankRun, blank_weighed
from soakmon.weigh.calibration import Calibration, Step, calibrate, daily_check
from soakmon.weigh.forms import BlankForm, CalibrationForm, DailyForm
from soakmon.weigh.oiml import CellClass, Judgement
from soakmon.weigh.result import BenchTestResult, Data, with_uncertainty


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
    worst = max((abs(r) for r in result.residuals_g), default=0.0)
    word = "passed" if result.passed else say("judge.not_passed")
    value = f"{result.g_per_count.value:.6g}"
    summary = say("judge.g_per_count_worst_step", word=word, value=value, worst=f"{worst:.3f}")
    lines = (*map(_against_limit, result.judgements), *_for_bench_toml(result))
    data = _calibration_data(form, result)
    return BenchTestResult("calibration", result.passed, summary, lines, data)


def _for_bench_toml(result: Calibration) -> tuple[str, ...]:
    """Whether it is in force, and what to write down for it."""
    gain = result.g_per_count
    return (
        say("judge.force_until", expires=result.expires)
        if result.passed
        else say("judge.not_passed_not_force"),
        "in bench.toml:",
        "[cell]",
        f"g_per_count = {gain.value:.9g}  # ± {gain.expanded:.2g} (95 %)",
        f"zero_counts = {result.zero_counts:.9g}",
    )


def _against_limit(judged: Judgement) -> str:
    """A property in words."""
    word = "good" if judged.ok else say("judge.too_much")
    if judged.ok and not judged.known:
        word = say("judge.open_readings_scatter_more_than")
    return say(
        "judge.limit_g",
        name=judged.name,
        value_g=f"{judged.value_g:+.4f}",
        known=_known(judged),
        limit_g=f"{judged.limit_g:.4f}",
        word=word,
    )


def _known(judged: Judgement) -> str:
    """How well it is known, with its unit."""
    return f" ± {at_most(judged.expanded_g)} g" if judged.expanded_g else " g"


def _calibration_data(form: CalibrationForm, result: Calibration) -> Data:
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
    error = daily_check(
        form.reading_g,
        form.mass_g,
        CellClass(form.capacity_g, form.intervals),
        full_g=_full_g(settings),
        empty_g=form.empty_g,
        mass_u_g=form.mass_u_g,
        repeatability_g=form.repeatability_g,
    )
    text = say(
        "judge.off_g_limit_g",
        value_g=f"{error.value_g:+.3f}",
        known=_known(error),
        mass_g=f"{form.mass_g:g}",
        limit_g=f"{error.limit_g:.3f}",
    )
    text += say("judge.good") if error.ok else say("judge.calibrate_cell")
    # Off for good by so much; what mass and readings leave open is in it.
    limit_g = error.limit_g + error.expanded_g
    data = {
        "error_g": error.value_g,
        "limit_g": limit_g,
        "form": form.model_dump(mode="json"),
    }
    return BenchTestResult("daily_check", error.ok, text, (text,), data)


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
    return judged_blank(result, form.model_dump(mode="json"))


def judged_blank(result: BlankRun, form: Data) -> BenchTestResult:
    """A blank run in words."""
    lines = [
        say(
            "judge.lost_h_expected_g",
            g=with_uncertainty(result.measured_g, "g"),
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
