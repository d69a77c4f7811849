"""What a report says, in order; HTML and PDF only differ in how they show it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from soakmon import __version__
from soakmon.cautions import CAUTIONS
from soakmon.physics.evaporating import fuel_of_air_c
from soakmon.physics.expectation import expected_loss
from soakmon.records.priors import Shift
from soakmon.report import words
from soakmon.report.advice import next_steps
from soakmon.report.bench_facts import bench_facts
from soakmon.report.clock import RunClock
from soakmon.report.log import Log
from soakmon.texts import ENGLISH, say
from soakmon.watch.budget import Budget
from soakmon.watch.decision import Decision
from soakmon.watch.figures import at_most, elapsed
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Cause, Outcome, Verdict

_MOST_LINES = 60
COMPARED = say("content.three_drops_minute_which_leak")


@dataclass(frozen=True, slots=True)
class About:
    """What a report is about beyond the readings; what is not given is not shown.

    made: the date shown, and the date of the PDF file. began: when a soak of the bench began; made
    is then its end; zone: how its clock is named. interim: it has not ended. calibration: the
    calibration in force, in words. reference: what the bench found of a known leak, in words.
    bench_toml: the bench's description as it was. record: what the
    job record told the decider, by carb. renewed: parts that it says were; before: what the soak
    before showed; renewed_before: what was by then. invented: the readings are simulated, and the
    report says so. versions: of what decided. log: what happened, from the journal. remarks: what
    else a reader has to know. language: that it is to be read in.
    """

    settings: Settings | None = None
    dated: datetime | None = None
    job: str = ""
    customer: str = ""
    machine: str = ""
    rack: str = ""
    calibration: str = ""
    bench_toml: str = ""
    record: Mapping[int, Shift] = field(default_factory=dict)
    invented: bool = False
    interim: bool = False
    zone: str = ""
    renewed: tuple[str, ...] = ()
    before: str = ""
    renewed_before: tuple[str, ...] = ()
    began: datetime | None = None
    bench: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)
    log: Log = field(default_factory=Log)
    remarks: tuple[str, ...] = ()
    language: str = ENGLISH
    reference: str = ""

    @property
    def clock(self) -> RunClock:
        """The shop's clock of a soak of the bench; none for a recording."""
        return RunClock(self.began, self.zone)


@dataclass(frozen=True, slots=True)
class ReportSection:
    """A heading with facts (name, text), lines, or a verbatim text below it."""

    title: str
    facts: tuple[tuple[str, str], ...] = ()
    lines: tuple[str, ...] = ()
    verbatim: str = ""


@dataclass(frozen=True, slots=True)
class Content:
    """The report: first what a customer reads, then the details."""

    title: str
    heading: str
    outcome: Outcome
    sentence: str
    summary: tuple[tuple[str, str], ...]
    steps: tuple[str, ...]
    details: tuple[ReportSection, ...]
    language: str = ENGLISH


def content(
    rows: Rows, decision: Decision, title: str, about: About, hashes: Mapping[str, str]
) -> Content:
    """Put a report together. hashes: SHA-256 by name of the files beside it."""
    verdict = decision.verdict
    return Content(
        title,
        (say("content.so_far_not_finished") if about.interim else "")
        + words.HEADINGS[verdict.outcome],
        verdict.outcome,
        about.clock.with_hours(sentence(verdict)),
        _summary(rows, verdict, about),
        () if about.interim else next_steps(verdict),
        tuple(_details(rows, decision, about, hashes)),
    )


def sentence(verdict: Verdict) -> str:
    """The verdict as a customer reads it."""
    if verdict.outcome is Outcome.TIGHT:
        day = at_most(24 * verdict.leak_g_per_h.high)
        return say(
            "content.no_leak_was_found_little", duration_s=elapsed(verdict.duration_s), day=day
        )
    if verdict.outcome is Outcome.LEAKING:
        likely = ", ".join(_likeliest(verdict))
        likely = say("content.likeliest", likely=likely) if likely else ""
        places = verdict.reason.removeprefix(say("reasons.leak", places=""))
        if places == verdict.reason:
            return say("content.fuel_leaking", reason=places) + likely
        return say("content.fuel_leaking_at", places=places) + likely
    return say("content.this_run_does_not_show", reason=verdict.reason)


def _likeliest(verdict: Verdict) -> Iterator[str]:
    """The likeliest cause at each place that leaks; where none is known, the likeliest of all."""
    carbs = {leak.carb for leak in verdict.leaks} or {None}
    for carb in sorted(carbs, key=lambda place: place or 0):
        here = [s for s in verdict.suspects if carb is None or s.carb in {carb, None}]
        suspect = next((s for s in here if s.cause is not Cause.NO_LEAK), None)
        if suspect is not None:
            cause = words.CAUSES[suspect.cause]
            yield say("content.cause_at", cause=cause, carb=suspect.carb) if suspect.carb else cause


def _summary(rows: Rows, verdict: Verdict, about: About) -> tuple[tuple[str, str], ...]:
    facts = [
        (say("content.job"), about.job),
        (say("content.customer"), about.customer),
        (say("content.machine"), about.machine),
        (say("content.rack"), about.rack),
        (say("content.date"), _date(about)),
        (
            say("content.readings"),
            say("content.invented_this_rehearsal_not_test") if about.invented else "",
        ),
        (say("content.tested"), _tested(rows, verdict, about.clock)),
        (say("content.fuel"), about.settings.fuel.name if about.settings else ""),
        (say("content.temperature"), _temperature(rows)),
        (say("content.loss"), words.loss(verdict)),
        (say("content.drops"), words.drops(verdict)),
        (say("content.renewed"), "; ".join(about.renewed)),
        (
            say("content.soak_before"),
            words.tied(about.before, about.renewed, about.renewed_before, verdict),
        ),
    ]
    return tuple((name, text) for name, text in facts if text)


def _date(about: About) -> str:
    if about.dated is None:
        return ""
    if about.began is None:
        return f"{about.dated:%Y-%m-%d}"
    zone = f" {about.zone}" if about.zone else ""
    return f"{about.began:%Y-%m-%d %H:%M} to {about.dated:%Y-%m-%d %H:%M}{zone}"


def _tested(rows: Rows, verdict: Verdict, clock: RunClock) -> str:
    text = say("content.watched", duration_s=clock.span(verdict.duration_s))
    if rows.feed_open is None or not np.isfinite(rows.feed_open).any():
        return text
    known = rows.feed_open[np.isfinite(rows.feed_open)]
    share = float(np.mean(known))
    if share == 1:
        return say("content.open_all", watched=text)
    return say("content.open_share", watched=text, share=f"{100 * share:.0f}")


def _temperature(rows: Rows) -> str:
    known = rows.air_c[np.isfinite(rows.air_c)]
    if not len(known):
        return say("content.not_measured")
    return say(
        "content.c_mean_c",
        min=f"{known.min():.1f}",
        max=f"{known.max():.1f}",
        mean=f"{known.mean():.1f}",
    )


def _details(
    rows: Rows, decision: Decision, about: About, hashes: Mapping[str, str]
) -> list[ReportSection]:
    verdict, settings = decision.verdict, about.settings
    sections = [
        ReportSection(say("content.what_was_found"), _outcome_facts(verdict, settings, about.clock))
    ]
    suspects = words.suspects(verdict) or (say("content.nothing_suspect"),)
    sections.append(ReportSection(say("content.what_behind"), lines=suspects))
    if about.record:
        sections.append(
            ReportSection(say("content.what_job_record_told_decider"), lines=_record(about))
        )
    if settings is not None:
        sections.append(
            ReportSection(say("content.false_alarm_budget"), _budget(settings, rows.gates))
        )
    parts = _parts(decision, settings)
    if parts:
        sections.append(ReportSection(say("content.expected_loss_part"), parts))
    sections += _happened(decision, about.log, about.clock)
    calibration = about.calibration or say("content.none_on_record_masses_are")
    sections.append(ReportSection(say("content.calibration_force"), lines=(calibration,)))
    if about.reference:
        sections.append(ReportSection(say("content.known_leak"), lines=(about.reference,)))
    if about.remarks:
        sections.append(ReportSection(say("content.remarks"), lines=about.remarks))
    sections.append(ReportSection(say("content.bench_versions"), _versions(about)))
    sections.append(ReportSection(say("content.sha_256_files_beside_this"), tuple(hashes.items())))
    sections.append(ReportSection(say("content.cautions"), lines=CAUTIONS))
    if settings is not None or about.bench_toml:
        sizes = bench_facts(settings) if settings is not None else ()
        sections.append(
            ReportSection(
                say("content.bench_configuration"), sizes, verbatim=about.bench_toml.strip()
            )
        )
    return sections


def _happened(decision: Decision, log: Log, clock: RunClock) -> list[ReportSection]:
    """Alarms, disturbances and phases: the bench's own log where there is one."""
    verdict = decision.verdict
    alarms = [f"{clock.at(a.t_s)}: {a.text}" for a in verdict.alarms]
    phases = [f"{clock.at(t)}: {name}" for name, t in decision.phases]
    faults = [f"{clock.at(f.t_s)}: {f.text} – {words.TREATED[f.kind]}" for f in verdict.faults]
    if log.phases:
        alarm_lines = set(log.alarms)
        closing = [
            say("content.found_when_soak_was_judged", line=line)
            for line in alarms
            if not any(line in alarm for alarm in alarm_lines)
        ]
        alarms, phases = [*log.alarms, *closing], list(log.phases)
    sections = [
        ReportSection(say("content.alarms_acknowledgements"), lines=_some(alarms)),
        ReportSection(say("content.disturbances_how_they_were_treated"), lines=_some(faults)),
        ReportSection(say("content.phases"), lines=_some(phases)),
    ]
    if log.preflight:
        sections.append(ReportSection(say("content.preflight"), lines=log.preflight))
    return sections


def _versions(about: About) -> tuple[tuple[str, str], ...]:
    bench = ((say("content.bench"), about.bench),) if about.bench else ()
    versions = about.versions or {"soakmon": __version__, "numpy": np.__version__}
    return (*bench, *versions.items())


def _some(lines: list[str]) -> tuple[str, ...]:
    if len(lines) > _MOST_LINES:
        more = say("content.more_verdict_json", most_lines=len(lines) - _MOST_LINES)
        return (*lines[:_MOST_LINES], more)
    return tuple(lines) or ("none",)


def _outcome_facts(
    verdict: Verdict, settings: Settings | None, clock: RunClock
) -> tuple[tuple[str, str], ...]:
    facts = [
        (say("content.reason"), clock.with_hours(verdict.reason)),
        (say("content.leak"), words.leak(verdict.leak_g_per_h, verdict.outcome)),
        (say("content.smallest_leak_this_run_could"), words.smallest(verdict)),
    ]
    if settings is not None:
        most = say("content.g_day", criterion_g_per_day=f"{settings.criterion_g_per_day:g}")
        asked = say("content.tight_means_both_less_than", most=most)
        facts.append((say("content.criterion"), asked))
        facts.append((say("content.comparison"), COMPARED))
    return tuple(facts)


def _record(about: About) -> tuple[str, ...]:
    """Where the record moved the ranking of causes: it never decides whether there is a leak."""
    lines = []
    for carb, shift in sorted(about.record.items()):
        moved = ", ".join(f"{words.CAUSES[c]} × {f:.2g}" for c, f in shift.factor.items())
        lines.append(
            say("content.carb_odds", carb=carb, because="; ".join(shift.because), moved=moved)
        )
    return (*lines, say("content.record_only_ranks_causes_mass"))


def _budget(settings: Settings, gates: int) -> tuple[tuple[str, str], ...]:
    budget = Budget(settings.false_alarm, gates)
    facts = [
        (say("content.whole_soak_floods_apart"), budget.total),
        (say("content.weep_mass"), budget.weep_mass + budget.running),
        (say("content.weep_each_drop_gate"), budget.weep_gate),
        (say("content.closing"), budget.closing),
        (say("content.plain_balance_end"), budget.balance),
    ]
    return tuple((name, f"{100 * share:.3g} %") for name, share in facts if share > 0)


def hose_share(t_s: Floats, air_c: Floats, settings: Settings | None) -> float | None:
    """Of what bottle and hose should lose, the hose's share; None where it cannot be told."""
    known = np.isfinite(air_c)
    if settings is None or len(air_c) < 2 or not known.any():
        return None
    fuel_c = fuel_of_air_c(t_s, np.interp(t_s, t_s[known], air_c[known]))
    loss = expected_loss(settings.geometry, settings.fuel, t_s, fuel_c)
    return float(loss.hose_g[-1] / (loss.best_g[-1] - loss.bowls_g[-1]))


def _parts(decision: Decision, settings: Settings | None) -> tuple[tuple[str, str], ...]:
    """Best expectation by part. Bottle and hose are told apart by what each should lose along the
    shop's temperature; what warmth breathes out is the bottle's.
    """
    curve = decision.curve
    if not len(curve.feed_g):
        return ()
    feed, bowls, top_up = (
        float(part[-1]) for part in (curve.feed_g, curve.bowls_g, curve.top_up_g)
    )
    share = hose_share(curve.t_s, curve.air_c, settings)
    facts = [(say("content.bottle_hose"), feed)]
    if share is not None:
        facts = [
            (say("content.bottle_breathing"), feed * (1 - share)),
            (say("content.hose_wall"), feed * share),
        ]
    facts += [(say("content.bowls"), bowls), (say("content.top_up_cooling_bowls_below"), top_up)]
    shown = [(name, words.grams(grams)) for name, grams in facts]
    expected = decision.verdict.expected_evaporation_g
    band = f"{words.grams(expected.low)} to {words.grams(expected.high)}"
    total = f"{words.grams(expected.best)} (95 %: {band})"
    return (*shown, (say("content.together"), total))
