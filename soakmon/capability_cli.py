"""The command `soakmon capability`: blind nights over all cores, resumable, told as a table."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.table import Table
from rich.text import Text

from sim.blind import Induced, blank_of, blind_scenario
from sim.record import Recording, simulate
from sim.scenario import Scenario
from soakmon import __version__
from soakmon.capability.bound import Noise
from soakmon.capability.certificate import certificate
from soakmon.capability.evaluate import Case, Isolation, Night, Result, Way, judged, plan
from soakmon.capability.summary import HEADS, as_dict, detection_lines, error_lines, facts
from soakmon.errors import InputError
from soakmon.physics.expectation import expected_loss
from soakmon.show import bar
from soakmon.terminal import Terminal
from soakmon.watch.evaporation import FUEL_LAG_S, lagged
from soakmon.watch.settings import DESCRIBED, Settings, described

_BLANK_HOURS = 12.0
_BLANK_REL_SD = 0.05
# Spread of simulated benches: vents, hose, fuel batch, draught and evaporation together.
_FEED_REL_SD, _BOWLS_REL_SD = 0.13, 0.14
_FORMAT = "soakmon.capability-nights/1"

out = Terminal()
err = Terminal(stderr=True)


def make_night(case: Case, isolation: Isolation | None = None) -> Night:
    """The simulated night of a case."""
    induced = Induced(case.leak_g_per_day, case.way is Way.GATES, case.hard)
    scenario = blind_scenario(case.seed, induced)
    recording = _recorded(scenario, isolation)
    blank = case.way is Way.AFTER_BLANK
    priors = described(blank_scale(scenario)) if blank else DESCRIBED
    truth = recording.truth
    carb = truth.carbs[0] if truth.carbs else None
    onset_s = truth.onset_s if truth.onset_s is not None else float("nan")
    defect_s = scenario.defects[0].onset_s if scenario.defects else 0.0
    return Night(
        recording.rows,
        Settings(geometry=recording.geometry, fuel=recording.fuel, priors=priors),
        _noise(scenario, blank=blank),
        24 * truth.leak_g_per_h,
        carb,
        truth.cause,
        truth.first_drop_s.get(carb, onset_s) if carb is not None else onset_s,
        defect_s == 0.0,
    )


def _recorded(scenario: Scenario, isolation: Isolation | None) -> Recording:
    if isolation is None:
        return simulate(scenario)
    hours = max(24.0, isolation.until_s / 3600)
    night = simulate(scenario, hours=hours, shut_s=isolation.shut_s)
    watched = int(np.searchsorted(night.rows.t_s, isolation.until_s))
    return replace(night, rows=night.rows.part(0, watched))


def _noise(scenario: Scenario, *, blank: bool) -> Noise:
    cell = scenario.cell
    white = float(np.hypot(cell.noise_g, cell.quantum_g / np.sqrt(12)))
    feed = _BLANK_REL_SD if blank else _FEED_REL_SD
    return Noise(white, cell.wander_g, cell.zero_g_per_c, feed, _BOWLS_REL_SD)


def blank_scale(scenario: Scenario) -> float:
    """What a blank run on this bench would have measured: loss over expectation, with its error."""
    blank = simulate(blank_of(scenario), hours=_BLANK_HOURS, interval_s=60.0)
    error = float(np.random.default_rng([scenario.seed, 78]).normal(1, 0.8 * _BLANK_REL_SD))
    return blank.truth.evaporated_g / _expected_g(blank) * error


def _expected_g(blank: Recording) -> float:
    rows = blank.rows
    fuel_c, last = [], float("nan")
    for air_c in rows.air_c.tolist():
        last = lagged(last, air_c, 60.0, FUEL_LAG_S)
        fuel_c.append(last)
    loss = expected_loss(blank.geometry, blank.fuel, rows.t_s, np.array(fuel_c))
    return float(loss.best_g[-1])


def capability(
    nights: Annotated[int, typer.Option(min=1, max=1_000_000, help="Nights in all.")] = 120,
    seed: Annotated[int, typer.Option(min=0, help="Another set of nights.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON only.")] = False,
    jobs: Annotated[
        int | None, typer.Option(min=1, max=512, help="Processes; default: one per core.")
    ] = None,
    resume: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keep nights here and go on from them.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="Write an HTML page.")
    ] = None,
) -> None:
    """Measure what the decider finds, on blind simulated nights with known leaks."""
    cases = plan(nights, seed)
    done = _read(resume, nights, seed)
    wanted = [case for case in cases if case.index not in done]
    with bar(err, f"judging {nights} nights") as progress:
        for result in run(wanted, jobs or os.cpu_count() or 1):
            done[result.index] = result
            _append(resume, result)
            progress(len(done) / nights)
            _tell(len(done), nights)
    results = [done[index] for index in sorted(done)]
    if page is not None:
        _write(page, certificate(results, version=__version__, seed=seed))
    if as_json:
        sys.stdout.write(json.dumps(as_dict(results)) + "\n")
    else:
        _show(results)


def _tell(done: int, nights: int) -> None:
    """A line now and then where no bar can be drawn."""
    if not err.is_terminal and (done % max(nights // 10, 1) == 0 or done == nights):
        err.print(Text(f"{done} of {nights} nights"))


def run(cases: list[Case], jobs: int) -> Iterator[Result]:
    """Judge simulated nights over `jobs` processes, in whatever order they get done."""
    if jobs == 1 or len(cases) < 2:
        yield from (_judged(case) for case in cases)
        return
    with ProcessPoolExecutor(min(jobs, len(cases))) as pool:
        for future in as_completed([pool.submit(_judged, case) for case in cases]):
            yield future.result()


def _judged(case: Case) -> Result:
    return judged(case, make_night)


def _header(nights: int, seed: int) -> dict[str, Any]:
    return {"format": _FORMAT, "version": __version__, "nights": nights, "seed": seed}


def _read(path: Path | None, nights: int, seed: int) -> dict[int, Result]:
    """Nights judged before; a new file gets its header. A torn last line is done again."""
    if path is None:
        return {}
    if not path.exists():
        _write(path, json.dumps(_header(nights, seed)) + "\n")
        return {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        header = json.loads(lines[0]) if lines else None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: is not a file of judged nights ({error})") from None
    if header != _header(nights, seed):
        raise InputError(
            f"{path}: holds other nights: resume with the same --nights, --seed and version, "
            "or name another file"
        )
    done = dict(_judged_before(path, lines))
    _write(path, "".join(f"{line}\n" for line in _lines(header, done.values())))
    return done


def _judged_before(path: Path, lines: list[str]) -> Iterator[tuple[int, Result]]:
    for number, line in enumerate(lines[1:], start=2):
        try:
            result = Result.from_dict(json.loads(line))
        except (ValueError, KeyError, TypeError):
            if number == len(lines):
                return
            raise InputError(f"{path}: line {number} is damaged: delete it and go on") from None
        yield result.index, result


def _lines(header: dict[str, Any], results: Iterable[Result]) -> list[str]:
    return [json.dumps(header), *(json.dumps(result.as_dict()) for result in results)]


def _append(path: Path | None, result: Result) -> None:
    if path is None:
        return
    _guarded(path, lambda: _add_line(path, json.dumps(result.as_dict()) + "\n"))


def _add_line(path: Path, line: str) -> None:
    with path.open("a", encoding="utf-8") as file:
        file.write(line)


def _write(path: Path, text: str) -> None:
    part = path.with_name(path.name + ".part")

    def write() -> None:
        part.write_text(text, encoding="utf-8")
        part.replace(path)

    _guarded(path, write)


def _guarded(path: Path, action: Callable[[], object]) -> None:
    try:
        action()
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from None


def _show(results: list[Result]) -> None:
    table = Table(title=f"{len(results)} blind simulated nights (invented data)")
    for head in HEADS:
        table.add_column(head)
    for row in detection_lines(results):
        table.add_row(*row)
    out.print(table)
    for name, value in facts(results):
        out.print(Text.assemble((f"{name}: ", "bold"), value))
    for line in error_lines(results):
        out.print(Text(line))
