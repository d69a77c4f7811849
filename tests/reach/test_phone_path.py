"""From the drop to the message: a service, its rules, and real mail and push receivers."""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime

import pytest

from sim.parts import SimulatedBench, SteppedClock
from sim.scenarios import SCENARIOS
from soakmon.bench.ports import Press
from soakmon.reach.phone_outlet import NAME, PhoneOutlet
from tests.bench.stepping import Stepped
from tests.bench.test_api import wait
from tests.reach.bench import bench_with, board_with
from tests.reach.broker import free_port, say
from tests.reach.test_outlets import serving, soakmon

EVENING = datetime(2027, 3, 27, 21, 50, tzinfo=UTC).timestamp()


class Night:
    """A stepped service with its phone outlet; `first` and `second` are (minute, title)."""

    def __init__(self, folder, mail, http) -> None:
        phone = {
            "urls": [mail.address()], "second_urls": [f"json://127.0.0.1:{http.port}/second"],
            "time_zone": "UTC", "tell_start": True, "link": "http://bench.invented/",
        }  # fmt: skip
        bench = bench_with(phone=phone, service={"isolate_min": 120})
        clock = SteppedClock(EVENING)
        gain = 1 / bench.cell.g_per_count
        scenario = SCENARIOS["needle-stuck-open"]
        simulation = SimulatedBench(scenario, clock, gain, 0.0, hours=12)
        self.bench = Stepped(folder, scenario, bench=bench, simulation=simulation)
        service = self.bench.service
        self.outlet = PhoneOutlet(
            bench, service.journal.path, board_with(NAME), status=lambda: service.status,
            wall_s=clock.wall_s, now_s=clock.boot_s,
        )  # fmt: skip
        self.outlet.open()
        self.mail, self.http = mail, http
        self.first: list[tuple[float, str]] = []
        self.second: list[tuple[float, str]] = []

    def run(self, minutes: float, every_s: float = 1.0) -> None:
        """Let time pass; the outlet looks every second, as its thread does."""
        for _ in range(round(60 * minutes / every_s)):
            self.bench.every_s = every_s
            self.bench.run(every_s / 3600)
            self.outlet.step()
            self._note(self.first, [m["Subject"] for m in self.mail.got])
            self._note(self.second, [m["title"] for m in self.http.got])

    def _note(self, told, titles) -> None:
        minute = self.bench.clock.boot_s() / 60
        told += [(minute, title) for title in titles[len(told) :]]

    def alarm_minute(self) -> float | None:
        found = [e for e in self.bench.journal.read_events() if e.kind == "alarm"]
        return (found[0].wall_s - EVENING) / 60 if found else None

    def close(self) -> None:
        self.outlet.outbox.close()
        self.bench.journal.close()


def test_a_night_with_a_flood(tmp_path, mail, http):
    night = Night(tmp_path, mail, http)
    night.bench.start()
    while night.alarm_minute() is None:
        night.run(0.5)
        assert night.bench.clock.boot_s() < 3600
    at = night.alarm_minute()
    night.run(21, 5.0)
    # The first person: the beginning, the flood within two seconds, and again every five minutes.
    titles = [title for _, title in night.first]
    assert "A soak begins, invented rack" in titles[0]
    floods = [(minute - at, title) for minute, title in night.first if "FLOOD" in title]
    assert floods[0][0] < 2 / 60
    assert [round(minute) for minute, _ in floods] == [0, 5, 10, 15, 20]
    body = next(m for m in mail.got if "FLOOD" in m["Subject"])
    text = body.get_body(("plain", "html")).get_content()
    for words in ("carb 3", "has shut the feed at", "Go and look now", "bench.invented"):
        assert words in text
    # The second person: only what was not acknowledged for a quarter of an hour.
    assert [round(minute - at) for minute, _ in night.second] == [15, 20]
    # The button silences both.
    night.bench.simulation.presses.append(Press.SHORT)
    night.run(0.1)
    told = len(night.first), len(night.second)
    night.run(60, 5.0)
    assert (len(night.first), len(night.second)) == told
    # The verdict comes at night and is held for the morning.
    night.bench.service.commands.end("seen enough")
    night.run(5 * 60, 60.0)
    assert (len(night.first), len(night.second)) == told
    night.run(5 * 60, 60.0)
    assert len(night.second) == told[1]
    minute, title = night.first[-1]
    assert "LEAKING" in title
    assert len(night.first) == told[0] + 1
    assert datetime.fromtimestamp(EVENING + 60 * minute, UTC).strftime("%H") == "07"
    night.close()


@pytest.mark.parametrize("way", ["command line", "token of the page", "MQTT"])
def test_acknowledged_from_elsewhere(tmp_path, http, broker, way):
    (tmp_path / "bench.toml").write_text(
        f"""
        [service]
        isolate_min = 600
        [mqtt]
        enabled = {str(way == "MQTT").lower()}
        commands = true
        host = "127.0.0.1"
        port = {broker.port}
        [phone]
        enabled = true
        urls = ["json://127.0.0.1:{http.port}/first"]
        repeat_min = 0.5
        [page]
        on = {str(way == "token of the page").lower()}
        port = {free_port()}
        """
    )
    with serving(tmp_path, "needle-stuck-open") as client:
        client.post("/soak", {"title": "invented rack", "cautions_confirmed": True})
        wait(lambda: sum("FLOOD" in m["title"] for m in http.got) >= 3)
        assert "Not acknowledged yet" in http.got[-1]["message"]
        if way == "command line":
            told = soakmon(tmp_path, "ack", "--socket", str(client.path))
            assert "alarms acknowledged" in told.stdout
        elif way == "MQTT":
            say(broker, "soakmon/bench/command/acknowledge", "")
        else:
            _by_page(tmp_path)
        wait(lambda: all(a["acknowledged"] for a in client.get("/status")["alarms"]))
        minute = client.get("/status")["wall_s"] + 60
        wait(lambda: client.get("/status")["wall_s"] > minute)
        sent = len(http.got)
        wait(lambda: client.get("/status")["wall_s"] > minute + 180)  # six repetitions long
        assert len(http.got) == sent


def _by_page(folder) -> None:
    """As a script with a token does."""
    made = soakmon(folder, "page", "token", "script", "--role", "run", "--data", "data")
    token = next(word for word in made.stdout.split() if len(word) > 30)
    page = (folder / "bench.toml").read_text().rsplit("port = ", 1)[1].split()[0]
    subprocess.run(
        ["curl", "-sf", "-X", "POST", "-H", f"Authorization: Bearer {token}",
         f"http://127.0.0.1:{page}/api/acknowledge"],
        check=True, timeout=10,
    )  # fmt: skip
