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
from soakmon.report.clock import Clock
from soakmon.report.log import Log
from soakmon.watch.budget import Budget
from soakmon.watch.decide import Decision
from soakmon.watch.figures import at_most, elapsed
from soakmon.watch.rows import Floats, Rows
from soakmon.watch.settings import Settings
from soakmon.watch.verdict import Cause, Outcome, Verdict

_MOST_LINES = 60
COMPARED = (
    "three drops a minute, at which a leak at a fuel station's pump counts, are about 57 g/day"
)


@dataclass(frozen=True, slots=True)
class About:
    """What a report is about beyond the readings; what is not given is not shown.

    made: the date shown, and the date of the PDF file. began: when a soak of the bench began; made
    is then its end; zone: how its clock is named. interim: it has not ended. calibration: the
    calibration in force, in words. bench_toml: the bench's description as it was. record: what the
    job record told the decider, by carb. renewed: parts that it says were; before: what the soak
    before showed; renewed_before: what was by then. invented: the readings are simulated, and the
    report says so. versions: of what decided. log: what happened, from the journal. remarks: what
    else a reader has to know.
    """

    settings: Settings | None = None
    made: datetime | None = None
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

    @property
    def clock(self) -> Clock:
        """The shop's clock of a soak of the bench; none for a recording."""
        return Clock(self.began, self.zone)


@dataclass(frozen=True, slots=True)
class Section:
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
    details: tuple[Section, ...]


def content(
    rows: Rows, decision: Decision, title: str, about: About, hashes: Mapping[str, str]
) -> Content:
    """Put a report together. hashes: SHA-256 by name of the files beside it."""
    verdict = decision.verdict
    return Content(
        title,
        ("SO FAR, not finished: " if about.interim else "") + words.HEADINGS[verdict.outcome],
        verdict.outcome,
        about.clock.said(sentence(verdict)),
        _summary(rows, verdict, about),
        () if about.interim else next_steps(verdict),
        tuple(_details(rows, decision, about, hashes)),
    )


def sentence(verdict: Verdict) -> str:
    """The verdict as a customer reads it."""
    if verdict.outcome is Outcome.TIGHT:
        day = at_most(24 * (verdict.smallest_provable_leak_g_per_h or 0.0))
        return (
            f"No leak was found in {elapsed(verdict.duration_s)}. The little fuel that went is "
            f"what evaporates from any such rack; a steady leak of {day} g a day or more would "
            "have shown with 95 % probability."
        )
    if verdict.outcome is Outcome.LEAKING:
        likely = ", ".join(_likeliest(verdict))
        likely = f" Likeliest: {likely}." if likely else ""
        at = verdict.reason.removeprefix("leak at ")
        joined = " at " if at != verdict.reason else ": "
        return f"Fuel is leaking{joined}{at}.{likely}"
    return f"This run does not show whether the rack is tight: {verdict.reason}."


def _likeliest(verdict: Verdict) -> Iterator[str]:
    """The likeliest cause at each place that leaks; where none is known, the likeliest of all."""
    carbs = {leak.carb for leak in verdict.leaks} or {None}
    for carb in sorted(carbs, key=lambda place: place or 0):
        here = [s for s in verdict.suspects if carb is None or s.carb in {carb, None}]
        found = next((s for s in here if s.cause is not Cause.NO_LEAK), None)
        if found is not None:
            where = f" at carb {found.carb}" if found.carb else ""
            yield f"{words.CAUSES[found.cause]}{where}"


def _summary(rows: Rows, verdict: Verdict, about: About) -> tuple[tuple[str, str], ...]:
    facts = [
        ("Job", about.job),
        ("Customer", about.customer),
        ("Machine", about.machine),
        ("Rack", about.rack),
        ("Date", _date(about)),
        ("Readings", "invented: this is a rehearsal, not a test" if about.invented else ""),
        ("Tested", _tested(rows, verdict, about.clock)),
        ("Fuel", about.settings.fuel.name if about.settings else ""),
        ("Temperature", _temperature(rows)),
        ("Loss", words.loss(verdict)),
        ("Drops", words.drops(verdict)),
        ("Renewed", "; ".join(about.renewed)),
        (
            "Soak before",
            words.tied(about.before, about.renewed, about.renewed_before, verdict),
        ),
    ]
    return tuple((name, text) for name, text in facts if text)


def _date(about: About) -> str:
    if about.made is None:
        return ""
    if about.began is None:
        return f"{about.made:%Y-%m-%d}"
    zone = f" {about.zone}" if about.zone else ""
    return f"{about.began:%Y-%m-%d %H:%M} to {about.made:%Y-%m-%d %H:%M}{zone}"


def _tested(rows: Rows, verdict: Verdict, clock: Clock) -> str:
    text = f"watched for {clock.span(verdict.duration_s)}"
    if rows.feed_open is None or not np.isfinite(rows.feed_open).any():
        return text
    known = rows.feed_open[np.isfinite(rows.feed_open)]
    share = float(np.mean(known))
    return f"{text}, feed open" + (f" for {100 * share:.0f} % of the readings" if share < 1 else "")


def _temperature(rows: Rows) -> str:
    known = rows.air_c[np.isfinite(rows.air_c)]
    if not len(known):
        return "not measured"
    return f"{known.min():.1f} to {known.max():.1f} °C, mean {known.mean():.1f} °C"


def _details(
    rows: Rows, decision: Decision, about: About, hashes: Mapping[str, str]
) -> list[Section]:
    verdict, settings = decision.verdict, about.settings
    sections = [Section("What was found", _found(verdict, settings, about.clock))]
    suspects = words.suspects(verdict) or ("nothing to suspect",)
    sections.append(Section("What is behind it", lines=suspects))
    if about.record:
        sections.append(Section("What the job record told the decider", lines=_record(about)))
    if settings is not None:
        sections.append(Section("False-alarm budget", _budget(settings, rows.gates)))
    parts = _parts(decision, settings)
    if parts:
        sections.append(Section("Expected loss by part", parts))
    sections += _happened(decision, about.log, about.clock)
    calibration = about.calibration or "none on record: masses are as the bench read them"
    sections.append(Section("Calibration in force", lines=(calibration,)))
    if about.remarks:
        sections.append(Section("Remarks", lines=about.remarks))
    sections.append(Section("Bench and versions", _versions(about)))
    sections.append(Section("SHA-256 of the files beside this report", tuple(hashes.items())))
    sections.append(Section("Cautions", lines=CAUTIONS))
    if settings is not None or about.bench_toml:
        sizes = bench_facts(settings) if settings is not None else ()
        sections.append(Section("Bench configuration", sizes, verbatim=about.bench_toml.strip()))
    return sections


def _happened(decision: Decision, log: Log, clock: Clock) -> list[Section]:
    """Alarms, disturbances and phases: the bench's own log where there is one."""
    verdict = decision.verdict
    alarms = [f"{clock.at(a.t_s)}: {a.text}" for a in verdict.alarms]
    phases = [f"{clock.at(t)}: {name}" for name, t in decision.phases]
    faults = [f"{clock.at(f.t_s)}: {f.text} – {words.TREATED[f.kind]}" for f in verdict.faults]
    if log.phases:
        told = set(log.alarms)
        closing = [
            f"{line} – found when the soak was judged"
            for line in alarms
            if not any(line in one for one in told)
        ]
        alarms, phases = [*log.alarms, *closing], list(log.phases)
    sections = [
        Section("Alarms and acknowledgements", lines=_some(alarms)),
        Section("Disturbances, and how they were treated", lines=_some(faults)),
        Section("Phases", lines=_some(phases)),
    ]
    if log.preflight:
        sections.append(Section("Preflight", lines=log.preflight))
    return sections


def _versions(about: About) -> tuple[tuple[str, str], ...]:
    bench = (("Bench", about.bench),) if about.bench else ()
    found = about.versions or {"soakmon": __version__, "numpy": np.__version__}
    return (*bench, *found.items())


def _some(lines: list[str]) -> tuple[str, ...]:
    if len(lines) > _MOST_LINES:
        more = f"… and {len(lines) - _MOST_LINES} more, in verdict.json"
        return (*lines[:_MOST_LINES], more)
    return tuple(lines) or ("none",)


def _found(
    verdict: Verdict, settings: Settings | None, clock: Clock
) -> tuple[tuple[str, str], ...]:
    facts = [
        ("Reason", clock.said(verdict.reason)),
        ("Leak", words.leak(verdict.leak_g_per_h, verdict.outcome)),
        ("Smallest leak this run could prove", words.smallest(verdict)),
    ]
    if settings is not None:
        most = f"{settings.criterion_g_per_day:g} g/day"
        asked = f"tight means both: less than {most}, and no drops that are believed to be fuel"
        facts.append(("Criterion", asked))
        facts.append(("For comparison", COMPARED))
    return tuple(facts)


def _record(about: About) -> tuple[str, ...]:
    """Where the record moved the ranking of causes: it never decides whether there is a leak."""
    lines = []
    for carb, shift in sorted(about.record.items()):
        moved = ", ".join(f"{words.CAUSES[c]} × {f:.2g}" for c, f in shift.factor.items())
        lines.append(f"carb {carb}: {'; '.join(shift.because)}. Odds: {moved}")
    return (*lines, "The record only ranks causes; mass and drops alone decide whether it leaks.")


def _budget(settings: Settings, gates: int) -> tuple[tuple[str, str], ...]:
    budget = Budget(settings.false_alarm, gates)
    facts = [
        ("Whole soak, floods apart", budget.total),
        ("Weep by mass", budget.weep_mass + budget.running),
        ("Weep by each drop gate", budget.weep_gate),
        ("Closing", budget.closing),
        ("Plain balance at the end", budget.balance),
    ]
    return tuple((name, f"{100 * share:.3g} %") for name, share in facts if share > 0)


def hose_share(t_s: Floats, air_c: Floats, settings: Settings | None) -> float | None:
    """Of what bottle and hose should lose, the hose's share; None where it cannot be told."""
    known = np.isfinite(air_c)
    if settings is None or len(air_c) < 2 or not known.any():
        return None
    fuel_c = fuel_of_air_c(t_s, np.interp(t_s, t_s[known], air_c[known]))
    said = expected_loss(settings.geometry, settings.fuel, t_s, fuel_c)
    return float(said.hose_g[-1] / (said.best_g[-1] - said.bowls_g[-1]))


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
    facts = [("Bottle and hose", feed)]
    if share is not None:
        facts = [("Bottle, with breathing", feed * (1 - share)), ("Hose wall", feed * share)]
    facts += [("Bowls", bowls), ("Top-up of cooling bowls (below 0: warmth holds it back)", top_up)]
    shown = [(name, words.grams(grams)) for name, grams in facts]
    expected = decision.verdict.expected_evaporation_g
    band = f"{words.grams(expected.low)} to {words.grams(expected.high)}"
    total = f"{words.grams(expected.best)} (95 %: {band})"
    return (*shown, ("Together", total))
