"""Commissioning through the page's API: parts, phone, record; the valve in tests/app."""

from __future__ import annotations

import json
import time
from datetime import datetime

import pytest

from soakmon.app import commission_desk, commission_saved
from soakmon.app.commission_saved import take_over, taken_over
from soakmon.bench.readings import Readings, Weighed
from soakmon.commission.bench_file import write_bench
from soakmon.commission.phone import ADDRESSES
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.page.store import Role
from tests.page.conftest import ELSEWHERE
from tests.reach.targets import PushServer


@pytest.fixture
def push():
    server = PushServer()
    yield server
    server.close()


PUSH = {"way": "push", "server": "push.example.org"}


def wait_until(come, within_s=15.0):
    end_s = time.monotonic() + within_s
    while not come():
        assert time.monotonic() < end_s, "it has not come"
        time.sleep(0.02)


ACTS = ["look", "questions", "gain", "phone", "message", "arrived", "record", "valve"]


@pytest.mark.parametrize("path", ACTS)
def test_only_a_person_who_may_run_the_bench_on_the_shops_network_commissions(paged, path):
    body = {
        "phone": PUSH,
        "arrived": {"arrived": True},
        "questions": {"answers": {}},
        "gain": {"mass_g": 0},
        "valve": {"way": "power"},
    }.get(path)
    for caller in (
        paged.signed_in("look"), paged.script(Role.RUN), paged.signed_in("run", ELSEWHERE),
    ):  # fmt: skip
        assert caller.post(f"/api/commissioning/{path}", json=body).status_code == 403
    assert paged.client().post(f"/api/commissioning/{path}", json=body).status_code == 401
    assert paged.signed_in("look").get("/api/commissioning").status_code == 200


def test_parts_in_use_are_told_by_their_readings(paged):
    runner = paged.signed_in("run")
    wait_until(lambda: paged.service.readings.weigh().counts is not None)
    wait_until(lambda: paged.service.readings.air_c is not None)
    found = runner.post("/api/commissioning/look", json={}).json()
    assert [one["name"] for one in found["parts"]] == ["load cell", "thermometer"]
    assert all(one["passed"] for one in found["parts"])
    assert found["to_take_over"] == ""
    german = runner.get("/api/commissioning", headers={"Accept-Language": "de"}).json()
    assert german["parts"][0]["name"] == "Wägezelle"
    assert german["parts"][0]["text"].startswith("liefert Messwerte")


def test_a_topic_is_shown_once_and_its_address_is_a_file_of_its_own(paged, tmp_path):
    runner = paged.signed_in("run")
    found = runner.post("/api/commissioning/phone", json=PUSH).json()
    assert found["svg"].startswith("<svg")
    topic = found["link"].removeprefix("https://push.example.org/")
    path = tmp_path / ADDRESSES
    assert f"ntfys://push.example.org/{topic}" in path.read_text()
    assert path.stat().st_mode & 0o007 == 0
    state = runner.get("/api/commissioning")
    assert topic not in state.text
    assert state.json()["phone"]["chosen"]
    assert state.json()["to_take_over"] == "sudo soakmon commission --from-page"
    assert topic not in (tmp_path / commission_saved.FILE).read_text()
    keys = take_over(tmp_path)
    assert keys == {"phone.enabled": True, "phone.urls_file": str(path)}
    taken_over(tmp_path)
    with pytest.raises(InputError, match="kept nothing"):
        take_over(tmp_path)


def test_what_is_no_server_or_mailbox_is_refused_at_its_words(paged):
    runner = paged.signed_in("run")
    mail = {"way": "mail", "user": "bench@example.org", "server": "smtp.example.org",
            "password": "x", "to": "nobody"}  # fmt: skip
    for body, word in ((PUSH | {"server": "a/b"}, "a/b"), (mail, "nobody")):
        answer = runner.post("/api/commissioning/phone", json=body)
        assert answer.status_code == 422
        assert word in answer.json()["problem"]
    assert runner.post("/api/commissioning/message", json={}).status_code == 409


def test_messages_that_do_not_go_out_say_why_and_the_record_says_what_was_not_tried(
    paged, tmp_path, monkeypatch
):
    runner = paged.signed_in("run")
    runner.post("/api/commissioning/phone", json=PUSH)
    sent_to = []

    def trials(bench, within_s, mark):
        sent_to.append(bench.phone.urls_file)
        return 4, {"first/1 (ntfys)": "its server cannot be reached"}

    monkeypatch.setattr(commission_desk, "send_trials", trials)
    monkeypatch.setattr(commission_desk, "was_pressed", lambda *_: False)
    found = runner.post("/api/commissioning/message", json={}).json()
    assert sent_to == [str(tmp_path / ADDRESSES)]
    assert found["phone"]["failed"] == ["its server cannot be reached"]
    kept = runner.post("/api/commissioning/record", json={}).json()
    assert "NOT GOOD: phone" in kept["summary"]
    assert "left out" in kept["summary"]
    monkeypatch.setattr(commission_desk, "send_trials", lambda *_: (4, {"first/1": ""}))
    runner.post("/api/commissioning/message", json={})
    runner.post("/api/commissioning/arrived", json={"arrived": True})
    kept = runner.post("/api/commissioning/record", json={}).json()
    assert kept["summary"].startswith("all that was tried is good; left out: ")
    assert "power cut" in kept["summary"]
    (page, *_) = (tmp_path / "commissioning").glob("*.html")
    assert "4 messages arrived; the button of the test message was not heard" in page.read_text()
    assert {one["kind"] for one in runner.get("/api/results").json()} == {"commissioning"}


def test_what_the_page_keeps_outlives_a_restart_and_a_damaged_file_begins_anew(paged, tmp_path):
    runner = paged.signed_in("run")
    runner.post("/api/commissioning/phone", json=PUSH)
    again = commission_desk.CommissionDesk(paged.service, "second boot")
    assert again.state().phone.chosen
    (tmp_path / commission_saved.FILE).write_text('{"phone"')
    again = commission_desk.CommissionDesk(paged.service, "second boot")
    assert not again.state().phone.chosen


@pytest.mark.parametrize(
    "keys",
    [{"service.socket": "/tmp/x"}, {"phone.enabled": True, "phone.urls_file": "/etc/passwd"}],
)
def test_root_takes_over_only_what_the_page_writes(tmp_path, keys):
    (tmp_path / commission_saved.FILE).write_text(json.dumps({"keys": keys}))
    with pytest.raises(InputError, match="does not write"):
        take_over(tmp_path)


def test_what_may_be_taken_over_are_keys_of_a_bench():
    for key in commission_saved.KEYS:
        section, _, name = key.partition(".")
        assert name in Bench.model_fields[section].annotation.model_fields


def test_the_button_of_the_test_message_is_heard_and_says_that_it_arrived(paged, tmp_path, push):
    runner = paged.signed_in("run")
    runner.post("/api/commissioning/phone", json=PUSH)
    (tmp_path / ADDRESSES).write_text(push.address())
    found = runner.post("/api/commissioning/message", json={}).json()["phone"]
    assert (found["sent"], found["failed"], found["arrived"], found["answers"]) == (
        4, [], None, True,
    )  # fmt: skip
    assert [bool(button) for button in push.buttons].count(True) == 1
    push.press(next(n for n, button in enumerate(push.buttons) if button))
    wait_until(lambda: runner.get("/api/commissioning").json()["phone"]["answered"])
    assert runner.get("/api/commissioning").json()["phone"]["arrived"] is True
    kept = runner.post("/api/commissioning/record", json={}).json()
    assert kept["summary"].startswith("all that was tried is good")


def answers(found, **changed):
    """What the page sends back: all that stands there, and what was changed."""
    told = {one["key"]: one["value"] for one in found["questions"]}
    return {"answers": told | {key.replace("__", "."): value for key, value in changed.items()}}


def test_the_plain_questions_begin_with_what_the_bench_says_and_are_taken_over(paged, tmp_path):
    runner = paged.signed_in("run")
    found = runner.get("/api/commissioning").json()
    told = {one["key"]: one["value"] for one in found["questions"]}
    assert (told["rack.carbs"], told["valve.driver"], told["hose.kind"]) == ("4", "yes", "unknown")
    said = answers(
        found, rack__carbs="3", bottle__fill_ml="412,5", hose__kind="clear", vapour__fitted="no"
    )
    assert runner.post("/api/commissioning/questions", json=said).status_code == 200
    keys = take_over(tmp_path)
    assert keys["rack.carbs"] == 3
    assert keys["gates.pins"] == [17, 27, 22]
    assert (keys["bottle.fill_ml"], keys["hose.kind"]) == (412.5, "clear")
    assert (keys["valve.driver"], keys["vapour.fitted"]) == ("pin", False)
    # What root writes of it is a bench.
    bench = write_bench(tmp_path / "bench.toml", keys, datetime(2026, 11, 28))
    assert bench.rack.carbs == 3
    again = runner.get("/api/commissioning", headers={"Accept-Language": "de"}).json()
    assert again["to_take_over"]
    first = again["questions"][0]
    assert (first["text"], first["value"]) == ("Wie viele Vergaser hat die Anlage?", "3")


@pytest.mark.parametrize(
    ("changed", "word"),
    [
        ({"rack__carbs": "3.5"}, "carburettors"), ({"rack__carbs": "nan"}, "1 to 8"),
        ({"bottle__capacity_ml": "1.000,5"}, "brim"), ({"bottle__fill_ml": "900"}, "overflow"),
        ({"hose__kind": "rubbr"}, "hose"), ({"panel__fitted": ""}, "yes, no"),
        ({"rack__carbs": "8"}, "4 pins"),
    ],
)  # fmt: skip
def test_an_answer_that_will_not_do_is_refused_at_its_question(paged, changed, word, tmp_path):
    runner = paged.signed_in("run")
    said = answers(runner.get("/api/commissioning").json(), **changed)
    answer = runner.post("/api/commissioning/questions", json=said)
    assert answer.status_code == 422
    assert word in answer.json()["problem"]
    with pytest.raises(InputError, match="kept nothing"):
        take_over(tmp_path)


def test_a_known_mass_tells_what_a_count_weighs(paged, tmp_path, monkeypatch):
    runner = paged.signed_in("run")
    counts = {"now": 8_000.0, "steady": True}

    def weigh(_):
        return Weighed(1.0, 0.0, counts["now"], steady=counts["steady"])

    monkeypatch.setattr(Readings, "weigh", weigh)
    assert runner.post("/api/commissioning/gain", json={"mass_g": 500}).status_code == 409
    counts["steady"] = False
    refused = runner.post("/api/commissioning/gain", json={"mass_g": 0})
    assert (refused.status_code, "come to rest" in refused.json()["problem"]) == (409, True)
    counts["steady"] = True
    assert runner.post("/api/commissioning/gain", json={"mass_g": 0}).json()["empty_read"]
    assert not runner.post("/api/commissioning/gain", json={"mass_g": 500}).json()["gain"]["passed"]
    counts["now"] = 1_008_000.0
    found = runner.post("/api/commissioning/gain", json={"mass_g": 500}).json()
    assert found["gain"]["passed"]
    assert "500 g: 0.0005 g per count" in found["gain"]["text"]
    keys = take_over(tmp_path)
    assert (keys["cell.g_per_count"], keys["cell.zero_counts"]) == (0.0005, 8_000.0)
    kept = runner.post("/api/commissioning/record", json={}).json()
    assert "NOT GOOD" not in kept["summary"]
