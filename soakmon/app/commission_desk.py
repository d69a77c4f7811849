"""Commissioning for the page: finds parts, watches the valve, keeps a way to the phone, and what
came of all that in the data folder, so that it outlives the restarts that it asks for.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any

from soakmon.app.alert_trial import can_answer, new_mark, send_trials, was_pressed
from soakmon.app.commission_record import keep_record
from soakmon.app.commission_saved import TAKE_OVER, read_saved, write_saved
from soakmon.app.due_of_bench import last_of
from soakmon.app.valve_watch import ValveWatch
from soakmon.bench.commands import RefusedError
from soakmon.bench.service import Service
from soakmon.commission import questions
from soakmon.commission.gain import gain_of
from soakmon.commission.phone import ADDRESSES, keep_address, mail_address, new_topic, svg_code
from soakmon.commission.record import CommissionStep
from soakmon.commission.valve_ways import COMMANDS, WAYS, name_of
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.page.commission_routes import (
    AskedLine,
    CommissioningState,
    Mail,
    PhoneCode,
    PhoneLine,
    Push,
    StepLine,
    ValveWay,
)
from soakmon.texts import say

log = logging.getLogger(__name__)
_ANSWERS_S, _PRESSED_WITHIN_S = 25.0, 300.0
# Bench tests that commissioning asks for, by the kind of their results.
_BY_HAND = {"daily_check": "known mass", "straw": "gates", "still": "at rest"}


class CommissionDesk:
    """Keeps the page's `Commissioner`. boot: changes with every boot of the machine."""

    def __init__(self, service: Service, boot: str) -> None:
        self.service, self.lock = service, threading.Lock()
        self.folder = Path(service.journal.path).parent
        self.saved = read_saved(self.folder)
        self.watch = ValveWatch(service, boot, self._valve_tried)

    def state(self) -> CommissioningState:
        """How far it is."""
        last, valve = self.watch.last, self.saved.get("valve", {})
        ways = [
            ValveWay(way=way, command=COMMANDS[way], found=_line(valve.get(way))) for way in WAYS
        ]
        phone = self.saved.get("phone", {})
        return CommissioningState(
            parts=[StepLine(**part) for part in self.saved.get("parts", [])],
            questions=self._asked(), gain=_line(self.saved.get("gain")),
            empty_read="empty_counts" in self.saved,
            valve=ways if self.service.bench.valve.driver != "none" else [],
            waiting=last.way if last is not None else None,
            open_g_per_min=round(last.open_g_per_min, 1) if last is not None else None,
            title=say("commission_desk.title"),
            phone=PhoneLine(
                chosen=self._chosen().phone.enabled, sent=phone.get("sent", 0),
                failed=phone.get("failed", []), arrived=phone.get("arrived"),
                answers=phone.get("answers", False), answered=phone.get("answered", False),
            ),
            to_take_over=TAKE_OVER if self.saved.get("keys") else "",
        )  # fmt: skip

    def look(self) -> None:
        """Find what is connected: what is in use by its readings, the rest by trying it."""
        status = self.service.status
        if status.phase not in {"idle", "ended"}:
            raise RefusedError(say("commission_desk.a_soak_is_running"))
        keys: dict[str, Any] = {}
        steps = [self._cell(keys), self._thermometer(keys)]
        kept = self.saved.get("keys", {})
        self._keep(parts=[asdict(step) for step in steps], keys=kept | keys)

    def _cell(self, keys: dict[str, Any]) -> CommissionStep:
        name, driver = say("preflight.load_cell"), self.service.bench.cell.driver
        if self.service.readings.weigh().counts is not None:
            return CommissionStep(name, True, say("commission_desk.reads", driver=driver))
        try:
            from hardware.find import find_cell  # noqa: PLC0415 - its drivers are an extra
            from hardware.pins import lgpio_factory  # noqa: PLC0415 - the same

            cell, missed = find_cell(lgpio_factory)
        except ModuleNotFoundError as error:
            return CommissionStep(name, False, say("commission_desk.no_drivers", name=error.name))
        if cell is None:
            why = "; ".join(f"{way.what}: {way.why}" for way in missed)
            return CommissionStep(name, False, say("commission_desk.no_cell", why=why))
        keys |= cell.keys
        return CommissionStep(name, True, say("commission_desk.cell", what=cell.what))

    def _thermometer(self, keys: dict[str, Any]) -> CommissionStep:
        name, air_c = say("commission_desk.thermometer_name"), self.service.readings.air_c
        if air_c is not None:
            return CommissionStep(name, True, say("commission_desk.air", air_c=f"{air_c:.1f}"))
        from hardware.find import find_thermometers  # noqa: PLC0415 - its drivers are an extra

        numbers = find_thermometers()
        if not numbers:
            return CommissionStep(name, False, say("commission_desk.no_thermometer"))
        keys["thermometer.driver"] = "one_wire"
        if len(numbers) > 1:
            text = say("commission_desk.several_thermometers", numbers=", ".join(numbers))
            return CommissionStep(name, False, text)
        return CommissionStep(name, True, say("commission_desk.thermometer", number=numbers[0]))

    def _asked(self) -> list[AskedLine]:
        """Every question, with what was said here, else with what bench.toml says."""
        answers: dict[str, str] = self.saved.get("answers") or questions.answers_of(
            self.service.bench
        )
        return [
            AskedLine(
                key=question.key, text=question.text, answers=list(question.answers),
                low=question.limits[0], high=question.limits[1],
                value=answers.get(question.key, ""),
            )
            for question in questions.ALL
        ]  # fmt: skip

    def answer(self, answers: dict[str, str]) -> None:
        """Keep what the owner says of the bench, when it will do."""
        known = {key: value for key, value in answers.items() if key in questions.KEYS}
        keys = questions.written(known, self.service.bench.gates.pins or questions.USUAL_PINS)
        self._keep(keys=self.saved.get("keys", {}) | keys, answers=known)

    def hung(self, mass_g: float) -> None:
        """Read the cell, empty first; both readings give g per count."""
        weighed = self.service.readings.weigh()
        if weighed.counts is None or not weighed.steady:
            raise RefusedError(say("gain.not_at_rest"))
        name = say("gain.name")
        if mass_g == 0:
            step = CommissionStep(name, None, say("gain.empty_read"))
            self._keep(empty_counts=weighed.counts, gain=asdict(step))
            return
        if "empty_counts" not in self.saved:
            raise RefusedError(say("gain.empty_first"))
        keys, step = gain_of(mass_g, self.saved["empty_counts"], weighed.counts)
        self._keep(keys=self.saved.get("keys", {}) | keys, gain=asdict(step))

    def arm(self, way: str) -> None:
        """Watch the flow: the bench is about to go."""
        self.watch.arm(way)

    def disarm(self) -> None:
        """It is not."""
        self.watch.disarm()

    def choose(self, how: Push | Mail) -> PhoneCode:
        """Keep the address in a file of its own in the data folder."""
        code = PhoneCode(link="", svg="")
        if isinstance(how, Push):
            topic = new_topic(how.server)
            address, code = topic.address, PhoneCode(link=topic.link, svg=svg_code(topic.link))
        else:
            address = mail_address(how.user, how.server, how.password, how.to)
        path = self.folder / ADDRESSES
        keep_address(path, address)
        keys = {"phone.enabled": True, "phone.urls_file": str(path.resolve())}
        self._keep(keys=self.saved.get("keys", {}) | keys, phone={})
        return code

    def send(self) -> None:
        """One message of each kind to every address."""
        bench = self._chosen()
        if not bench.phone.enabled:
            raise RefusedError(say("commission_desk.choose_first"))
        mark = new_mark()
        count, failures = send_trials(bench, _ANSWERS_S, mark)
        failed = [why for why in failures.values() if why]
        self._keep(phone={"sent": count, "failed": failed, "answers": can_answer(bench)})
        if can_answer(bench):
            work = (bench, mark)
            threading.Thread(target=self._hear, args=work, name="button", daemon=True).start()

    def _hear(self, bench: Bench, mark: str) -> None:
        """The button of the test message: what is heard of it has arrived as well."""
        if was_pressed(bench, mark, _PRESSED_WITHIN_S):
            heard = {"arrived": True, "answered": True}
            self._keep(phone=self.saved.get("phone", {}) | heard)

    def arrived(self, yes: bool) -> None:
        """What the owner says of the messages."""
        self._keep(phone=self.saved.get("phone", {}) | {"arrived": yes})

    def finish(self) -> str:
        """Keep the record of all that was tried."""
        about, where = self.service.bench.service, say("commission_desk.by_page")
        summary, _ = keep_record(self.folder, about.name, self._steps(), where, about.language)
        return summary.summary

    def _steps(self) -> list[CommissionStep]:
        """All steps, those left out as well: the record says what was not tried."""
        steps = [CommissionStep(**result) for result in self.saved.get("parts", [])]
        if self.saved.get("gain"):
            steps.append(CommissionStep(**self.saved["gain"]))
        last = last_of(self.folder, self.service.bench, tuple(_BY_HAND))
        for kind, name in _BY_HAND.items():
            result = last.get(kind)
            text = say("commission_desk.not_tried") if result is None else result.text
            steps.append(CommissionStep(name, None if result is None else result.passed, text))
        if self.service.bench.valve.driver != "none":
            valve = self.saved.get("valve", {})
            for way in WAYS:
                untried = CommissionStep(name_of(way), None, say("commission_desk.not_tried"))
                steps.append(CommissionStep(**valve[way]) if way in valve else untried)
        return [*steps, self._phone_step()]

    def _phone_step(self) -> CommissionStep:
        name, phone = say("commission_desk.phone"), self.saved.get("phone", {})
        if not self._chosen().phone.enabled:
            return CommissionStep(name, None, say("commission_desk.nobody"))
        if phone.get("failed"):
            return CommissionStep(name, False, "; ".join(phone["failed"]))
        arrived = phone.get("arrived")
        if arrived is None:
            return CommissionStep(name, None, say("commission_desk.not_tried"))
        if not arrived:
            text = say("commission_desk.not_arrived", sent=phone.get("sent", 0))
            return CommissionStep(name, False, text)
        how = "cannot_answer"
        if phone.get("answers"):
            how = "answered" if phone.get("answered") else "not_answered"
        text = say("commission_desk.arrived", sent=phone.get("sent", 0))
        return CommissionStep(name, True, f"{text}; {say(f'commission_desk.{how}')}")

    def _chosen(self) -> Bench:
        """The bench with the way to the phone that was chosen here, if one was."""
        bench, keys = self.service.bench, self.saved.get("keys", {})
        if "phone.urls_file" not in keys:
            return bench
        new = {"enabled": True, "urls": (), "urls_file": keys["phone.urls_file"]}
        return bench.model_copy(update={"phone": bench.phone.model_copy(update=new)})

    def _valve_tried(self, way: str, step: CommissionStep) -> None:
        self._keep(valve=self.saved.get("valve", {}) | {way: asdict(step)})

    def _keep(self, **new: Any) -> None:
        with self.lock:
            self.saved = self.saved | new
            try:
                write_saved(self.folder, self.saved)
            except InputError as error:
                # It holds while the service runs.
                log.warning("commissioning: not kept: %s", error)


def _line(step: dict[str, Any] | None) -> StepLine | None:
    return None if step is None else StepLine(**step)
