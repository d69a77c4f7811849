"""The dialogue of `soakmon commission`: from wired parts to a bench that is known to be sound.

Finds what is connected, asks a few plain questions, writes bench.toml, then tries the bench through
its own service with the guides of the bench tests: known mass, straw, rest, valve, message. What it
found is kept as a page. It can be left at any question; called again it begins anew, but for the
power cut, after which it goes on.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer
from rich.text import Text

from hardware.find import find_cell, find_thermometers
from hardware.pins import lgpio_factory
from soakmon.app.alert_trial import can_answer, new_mark, send_trials, was_pressed
from soakmon.app.commission_record import keep_record
from soakmon.app.commission_saved import take_over, taken_over
from soakmon.app.keep_results import keep_judged
from soakmon.bench.client import Client
from soakmon.bench.guide_answers import measured_answer
from soakmon.bench_toml import read_bench
from soakmon.cautions import CAUTIONS
from soakmon.cli.bench_questions import asked as asked_of_bench
from soakmon.cli.phone_choice import choose
from soakmon.cli.terminal import Terminal
from soakmon.cli.valve_trial import SERVICE, ValveTrial, systemctl
from soakmon.commission.bench_file import values_of, write_bench
from soakmon.commission.gain import gain_of
from soakmon.commission.record import CommissionStep
from soakmon.commission.smallest import smallest_g_per_day
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.records.opening import now
from soakmon.texts import say
from soakmon.weigh.guided import Guided, judged
from soakmon.weigh.guides import Question
from soakmon.weigh.prompts import ask_all
from soakmon.weigh.result import BenchTestResult

_UP_WITHIN_S = 90.0
_ANSWERS_S, _PRESSED_WITHIN_S = 30.0, 90.0

out = Terminal()


def _ask(text: str, default: Any) -> Any:
    return typer.prompt(text, default=default)


def _yes(text: str, *, default: bool = True) -> bool:
    return bool(typer.confirm(text, default=default))


class Commissioning:
    """The steps, in order; `steps` is what came of them."""

    def __init__(self, path: Path, *, sleep: Callable[[float], None] = time.sleep) -> None:
        self.path, self.sleep = path, sleep
        self.steps: list[CommissionStep] = []
        self.bench = read_bench(path) if path.exists() else Bench()

    def run(self) -> None:
        """All of it."""
        waiting = self._valve_trial().after_power_cut()
        if waiting is not None:
            self.steps = waiting
            self._valve_trial().end()
            self._finish()
            return
        self._free_the_pins()
        self._find()
        self._questions()
        self._serve()
        self._known_mass()
        if self.bench.gates.pins:
            self._guide("straw", "gates")
        self._still()
        self._message()
        if self.bench.valve.driver == "pin" and not self._valve():
            return  # the power is pulled now
        self._finish()

    def from_page(self) -> None:
        """Bring into bench.toml what was found and chosen on the page, and start the service."""
        folder = Path(self.bench.service.data_folder)
        new = take_over(folder)
        for key, value in sorted(new.items()):
            self._say(f"  {key} = {value}")
        if not _yes(f"write this into {self.path}"):
            raise typer.Exit(3)
        # The service goes on with what it has until the new file is there, and is a bench.
        self._no_soak()
        self._write({**values_of(self.path), **new})
        taken_over(folder)
        self._serve()
        self._say("The service uses it.")

    # The steps.

    def _free_the_pins(self) -> None:
        self._no_soak()
        systemctl("stop", SERVICE)

    def _no_soak(self) -> None:
        try:
            phase = str(self._client().status().phase)
        except InputError:
            phase = "idle"
        if phase not in {"idle", "ended"}:
            raise InputError(f"a soak is running ({phase}): end it first: soakmon end")

    def _find(self) -> None:
        self._head("What is connected")
        cell, missed = find_cell(lgpio_factory)
        for way in missed:
            self._say(f"  {way.what}: {way.why}")
        if cell is None:
            raise InputError("no load cell answers: check its supply (3.3 V) and data wires")
        self._done(CommissionStep("load cell", True, cell.what))
        thermometers = find_thermometers()
        keys: dict[str, Any] = dict(cell.keys)
        if not thermometers:
            text = "none on the 1-wire bus: without it no verdict is tight; check GPIO 4, 4.7 kΩ"
            self._done(CommissionStep("thermometer", False, text))
        else:
            keys["thermometer.driver"] = "one_wire"
            if len(thermometers) > 1:
                keys["thermometer.sensor_id"] = _ask(
                    f"  which is in the air near the bottle: {', '.join(thermometers)}",
                    thermometers[0],
                )
            self._done(CommissionStep("thermometer", True, ", ".join(thermometers)))
        self._write(keys)

    def _questions(self) -> None:
        self._head("Questions (Enter takes what stands in brackets)")
        known = values_of(self.path)
        rack, bottle, cell = self.bench.rack, self.bench.bottle, self.bench.cell
        carbs = int(_ask("how many carburettors does the rack have", rack.carbs))
        new: dict[str, Any] = {
            "rack.carbs": carbs,
            "bottle.capacity_ml": float(_ask("bottle, ml to the brim", bottle.capacity_ml)),
            "bottle.fill_ml": float(_ask("fuel in it at the start, ml", bottle.fill_ml)),
            "cell.capacity_g": float(_ask("load cell, its capacity in g", cell.capacity_g)),
        }
        pins = tuple(self.bench.gates.pins)
        gates = _yes(f"has every carburettor its drop gate (GPIO {_pins(pins, carbs)})")
        new["gates.pins"] = list(pins[:carbs]) if gates else []
        new["valve.driver"] = "pin" if _yes("does a valve shut the feed") else "none"
        new["panel.fitted"] = _yes("are lamp, buzzer and button fitted")
        new["vapour.fitted"] = _yes("is a vapour detector wired in", default=False)
        self._write({**known, **new, **asked_of_bench()})

    def _serve(self) -> None:
        systemctl("enable", SERVICE)
        systemctl("restart", SERVICE)
        until_s = time.monotonic() + _UP_WITHIN_S
        while True:
            try:
                if self._client().get("/weigh")["counts"] is not None:
                    return
            except InputError:
                pass
            if time.monotonic() > until_s:
                raise InputError("the service gives no readings: see journalctl -u soakmon")
            self.sleep(1.0)

    def _known_mass(self) -> None:
        self._head("A known mass")
        self._say("  Hang the empty bottle on the cell, with its hose, as in use.")
        _ask("  press Enter when it hangs still", "")
        empty = self._counts()
        mass_g = float(_ask("  now hang a known mass beside it; how many g is it", 500.0))
        loaded = self._counts()
        keys, step = gain_of(mass_g, empty, loaded)
        if keys:
            self._write(keys)
            self._serve()
        self._done(step)

    def _still(self) -> None:
        self._head("The bench at rest")
        self._say("  Take the mass off, fill the bottle as for a soak, and leave the bench alone.")
        minutes = float(_ask("  minutes to look for (5 to 30)", 5.0))
        guided = Guided("still", self.bench.rack.carbs)
        guided.answer(minutes, time.time())
        self.sleep(60 * minutes)
        while guided.question is not None:
            guided.answer(self._take(guided.question, guided), time.time())
        result = self._judge("still", guided)
        form = result.data["form"]
        air_c = self._client().get("/weigh")["air_c"] or 20.0
        smallest = smallest_g_per_day(
            self.bench.settings(), form["noise_g"], abs(form["drift_g_per_h"]), air_c=air_c
        )
        text = f"{result.summary}; by mass alone this bench can find {smallest:.2g} g/day in a day"
        self._done(CommissionStep("at rest", result.passed, text))

    def _message(self) -> None:
        self._head("The phone: who is told when fuel runs at night")
        if not (self.bench.phone.enabled and _yes("keep the addresses that there are")):
            self._write(choose(self.path.parent, self._say))
        if not self.bench.phone.enabled:
            self._done(CommissionStep("phone", None, "nobody is told of an alarm"))
            return
        mark = new_mark()
        count, failures = send_trials(self.bench, _ANSWERS_S, mark)
        failed = [why for why in failures.values() if why]
        if failed or not failures:
            self._done(CommissionStep("phone", False, "; ".join(failed) or "there is no address"))
            return
        arrived = _yes(f"{count} messages were sent; have they arrived")
        key = "commission_desk.arrived" if arrived else "commission_desk.not_arrived"
        text = say(key, sent=count)
        if arrived:
            text = f"{text}; {self._answered(mark)}"
        self._done(CommissionStep("phone", arrived, text))
        self._serve()

    def _answered(self, mark: str) -> str:
        """Whether alarms can be acknowledged from the message, tried by its button."""
        if not can_answer(self.bench):
            return say("commission_desk.cannot_answer")
        self._say("  Press the button of the first one: alarms will be acknowledged by it.")
        heard = was_pressed(self.bench, mark, _PRESSED_WITHIN_S, self.sleep)
        return say("commission_desk.answered" if heard else "commission_desk.not_answered")

    def _valve(self) -> bool:
        """Whether commissioning may go on; False: the power is to be pulled now."""
        self._head("The valve")
        for caution in CAUTIONS:
            self._say(f"  • {caution}")
        self._say("  Water in the bottle, the end of the hose in a jar, open to a thin stream.")
        if not _yes("  do you confirm the cautions, and may the feed open now", default=False):
            self._done(
                CommissionStep("valve", None, "not tried: do not leave it alone before it was")
            )
            return True
        trial = self._valve_trial()
        try:
            steps, flow = trial.stop_and_kill()
        except InputError as problem:
            self._done(CommissionStep("valve", False, str(problem)))
            trial.end()
            return True
        for step in steps:
            self._done(step)
        if not _yes("  will you pull the Pi's supply now, as a power cut would"):
            self._done(CommissionStep("power cut", None, "not tried"))
            trial.end()
            return True
        trial.before_power_cut(self.steps, flow)
        self._say("  Pull the supply now. Then put it back and go on with: sudo soakmon commission")
        trial.await_power_cut()
        return False

    def _finish(self) -> None:
        service = self.bench.service
        summary, path = keep_record(
            Path(service.data_folder), service.name, self.steps, str(self.path), service.language
        )
        self._head("Record of commissioning")
        for line in summary.lines:
            self._say(f"  {line}")
        self._say(f"{summary.summary}. Kept as {path}")
        raise typer.Exit(0 if summary.passed else 3)

    # What the steps use.

    def _client(self) -> Client:
        return Client(Path(self.bench.service.socket))

    def _valve_trial(self) -> ValveTrial:
        return ValveTrial(self.bench, self._client(), self._say, sleep=self.sleep)

    def _write(self, new: dict[str, Any]) -> None:
        self.bench = write_bench(self.path, new, now())

    def _counts(self) -> float:
        for _ in range(30):
            reading = self._client().get("/weigh")
            if reading["counts"] is not None and reading["steady"]:
                return float(reading["counts"])
            self.sleep(1.0)
        raise InputError("the reading does not come to rest: still the bottle, keep draughts off")

    def _guide(self, test: str, name: str) -> None:
        self._head(f"The {name}")
        guided = ask_all(
            Guided(test, self.bench.rack.carbs), sys.stdin, self._whisper, time.time, self._take
        )
        result = self._judge(test, guided)
        self._done(CommissionStep(name, result.passed, result.summary))

    def _judge(self, test: str, guided: Guided) -> BenchTestResult:
        result = judged(test, guided.form, self.bench.settings(), now().date())
        keep_judged(Path(self.bench.service.data_folder), result, None, self.bench.service.name)
        return result

    def _take(self, question: Question, guided: Guided) -> float:
        if question.source is None:
            raise InputError("the bench cannot answer this")
        reading = self._client().get("/weigh", seen_since_wall_s=guided.since_s or time.time())
        return measured_answer(question.source, guided, reading, reading["air_c"])

    def _done(self, step: CommissionStep) -> None:
        self.steps.append(step)
        self._say(f"  {step.mark}: {step.name}: {step.text}")

    def _head(self, text: str) -> None:
        out.print(Text(f"\n{text}", style="bold"))

    def _say(self, text: str) -> None:
        out.print(Text(text), soft_wrap=True)

    def _whisper(self, text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()


def _pins(pins: tuple[int, ...], carbs: int) -> str:
    return ", ".join(str(pin) for pin in pins[:carbs])
