"""Rules and dashboard of a hall, on a real server with the points that benches make."""

from __future__ import annotations

import json
import subprocess
import time
import urllib.parse
import urllib.request

import pytest
from typer.testing import CliRunner

from soakmon.cli.program import app
from soakmon.reach.hall_board import PANELS, RULES, hall_dashboard, rules
from soakmon.reach.influx import InfluxWriter
from soakmon.reach.points import Origin, of_batch, of_event
from soakmon.records.journal import Event
from soakmon.records.outbox import Batch
from tests.reach.bench import bench_with, make_rows
from tests.reach.broker import tool
from tests.reach.metrics import Metrics

BAND = {"best": 0.4, "low": 0.1, "high": 0.8}
NONE = {"best": 0.0, "low": 0.0, "high": 0.2}


def of_bench(bench: str, now_s: float, *, leaks: bool, silent: bool) -> list:
    """Ten minutes of a bench; one that is silent has said nothing for seven."""
    origin = Origin(bench, f"id-of-{bench}")
    made = []
    for number, ago_s in enumerate(range(600, 0, -15), start=1):
        if silent and ago_s < 420:
            continue
        at_s = now_s - ago_s
        made += of_batch(origin, Batch(number, 7, "2026-0001", at_s, make_rows(600.0 - ago_s)))
        if ago_s % 300 == 0:
            data = {
                "observed_loss_g": 1.0, "expected_evaporation_g": NONE, "loss_g_per_h": 0.6,
                "expected_g_per_h": NONE, "leak_g_per_h": BAND if leaks else NONE,
            }  # fmt: skip
            made += of_event(origin, "2026-0001", Event(number, 7, 0.0, at_s, "estimate", data))
    if leaks:
        alarm = {"t_s": 1.0, "kind": "weep", "carb": 2, "leak_g_per_h": 0.4, "text": "invented"}
        made += of_event(origin, "2026-0001", Event(99, 7, 1.0, now_s - 60, "alarm", alarm))
    return made


@pytest.fixture(scope="module")
def hall(tmp_path_factory):
    """Three benches: one leaks, one is silent."""
    server = Metrics(tmp_path_factory.mktemp("hall")).start("-search.latencyOffset=1ms")
    patch = pytest.MonkeyPatch()
    patch.setenv("SOAKMON_INFLUX_TOKEN", "invented")
    writer = InfluxWriter(bench_with(influx={"enabled": True, "url": server.url}).influx)
    now_s = time.time()
    for bench, leaks, silent in (
        ("north/left", True, False), ("north/right", False, True), ("alone", False, False),
    ):  # fmt: skip
        writer.write(of_bench(bench, now_s, leaks=leaks, silent=silent))
    writer.close()
    asked(server, "/internal/force_flush")
    yield server
    patch.undo()
    server.stop()


def asked(server: Metrics, path: str, **query: str) -> bytes:
    address = f"{server.url}{path}?{urllib.parse.urlencode(query)}"
    with urllib.request.urlopen(address, timeout=30) as answer:
        return bytes(answer.read())


def reckoned(server: Metrics, expression: str) -> dict[str, float]:
    """Values by bench (and carb) now."""
    found = json.loads(asked(server, "/api/v1/query", query=expression))
    return {
        "/".join(filter(None, (one["metric"].get("bench"), one["metric"].get("carb")))): float(
            one["value"][1]
        )
        for one in found["data"]["result"]
    }


def test_rules_say_of_each_bench_what_is_so(hall):
    values = {name: reckoned(hall, expression) for name, expression, _ in RULES}
    benches = {"north/left", "north/right", "alone"}
    assert values["soak:running"] == dict.fromkeys(benches, 1.0)
    assert values["soak:silent"].keys() == {"north/right"}
    assert values["soak:leak_g_per_h"]["north/left"] == pytest.approx(0.4)
    assert [one for one, low in values["soak:leak_low_g_per_h"].items() if low > 0] == [
        "north/left"
    ]
    assert values["soak:loss_over_expected_g_per_h"] == dict.fromkeys(benches, 0.6)
    assert values["soak:alarms_1d"] == {"north/left": 1.0}
    # A batch of the test has one drop at the second gate.
    assert values["soak:drops_1h"]["alone/2"] == 40
    assert values["soak:drops_1h"]["alone/1"] == 0
    assert values["soak:mass_g:5m"].keys() == benches - {"north/right"}
    assert all(values.values())


def test_every_panel_shows_something_with_the_rules_put_in(hall):
    for title, _, _, expressions, _ in PANELS:
        for expression, _ in expressions:
            for name, rule, _ in RULES:
                expression = expression.replace(name, f"({rule})")  # noqa: PLW2901
            assert "soak:" not in expression, title
            answer = json.loads(asked(hall, "/api/v1/query", query=expression))
            assert answer["status"] == "success", title
            assert answer["data"]["result"], title


def test_the_servers_own_tool_finds_no_fault_in_the_rules(tmp_path):
    done = CliRunner().invoke(app, ["influx", "rules"])
    assert done.exit_code == 0
    assert json.loads(done.output) == rules()
    file = tmp_path / "rules.yaml"
    file.write_text(done.output)
    command = [tool("vmalert"), "-dryRun", f"-rule={file}"]
    found = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert found.returncode == 0, found.stderr
    file.write_text(done.output.replace("avg_over_time(", "avg_over_time(("))
    found = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert found.returncode != 0


def test_the_dashboard_of_a_hall_is_asked_for(tmp_path):
    done = CliRunner().invoke(app, ["influx", "dashboard", "--hall"])
    assert json.loads(done.output) == hall_dashboard()
    assert [panel["title"] for panel in hall_dashboard()["panels"]] == [one[0] for one in PANELS]


def test_the_end_of_a_soak_is_not_hidden_by_an_estimate_of_the_same_moment(tmp_path):
    """A server that is told to remove doubles keeps one value of a time: a bench whose soak has
    ended would be called silent for a day.
    """
    server = Metrics(tmp_path).start("-dedup.minScrapeInterval=1ms")
    patch = pytest.MonkeyPatch()
    patch.setenv("SOAKMON_INFLUX_TOKEN", "invented")
    at_s = round(time.time(), 3) - 60
    estimate = {
        "observed_loss_g": 1.0, "expected_evaporation_g": NONE, "loss_g_per_h": 0.6,
        "expected_g_per_h": NONE, "leak_g_per_h": NONE,
    }  # fmt: skip
    ended = {"phase": "ended", "reason": "the soak has lasted as long as was asked"}
    try:
        for bench, order in (("one", (0, 1)), ("two", (1, 0))):
            events = [
                Event(1, 7, 0.0, at_s, "estimate", estimate), Event(2, 7, 0.0, at_s, "phase", ended)
            ]  # fmt: skip
            writer = InfluxWriter(bench_with(influx={"enabled": True, "url": server.url}).influx)
            for place in order:
                writer.write(of_event(Origin(bench), "2026-0001", events[place]))
            writer.close()
        held = {
            dict(tags)["bench"]: [value for _, value in pairs]
            for (name, tags), pairs in server.samples().items()
            if name == "soak_info_running"
        }
    finally:
        patch.undo()
        server.stop()
    assert held == {"one": [1.0, 0.0], "two": [1.0, 0.0]}
