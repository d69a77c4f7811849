"""What preflight says of the outlets, before the feed opens."""

from __future__ import annotations

import os
from types import SimpleNamespace

import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench.api import _preflight
from soakmon.bench.preflight import check_machine, check_outlets, fit
from soakmon.reach.health import Board, State
from tests.bench.stepping import Stepped
from tests.reach.bench import bench_with


def board(**states: State) -> Board:
    found = Board(lambda: 1_800_000_000.0)
    for name in ("influx", "mqtt", "phone"):
        found.add(name, states.get(name, State.OFF))
    return found


def said(found: Board, *, needed: bool = False) -> dict[str, tuple[bool, bool, str]]:
    checks = check_outlets(found.listed(), phone_needed=needed)
    return {c.name: (c.passed, c.warning, c.text) for c in checks}


def test_a_bench_that_can_wake_nobody_says_so_loudly():
    assert said(board()) == {
        "phone": (False, True, "NOBODY WILL BE TOLD of an alarm: off in bench.toml")
    }
    assert said(board(), needed=True)["phone"][1] is False


def test_what_is_on_is_judged_by_its_health():
    found = board(mqtt=State.STARTING, influx=State.STARTING, phone=State.STARTING)
    assert not any(passed for passed, _, _ in said(found).values())
    found.down("mqtt", "broker:1883: no connection")
    found.up("influx")
    found.up("phone")
    assert said(found)["mqtt"] == (
        False, True, "broker:1883: no connection; it is caught up later"
    )  # fmt: skip
    assert said(found)["influx"] == (True, False, "works, 0 waiting")
    assert said(found)["phone"][2].startswith("addresses known; soakmon alert test")
    found.sent("phone")
    assert said(found, needed=True)["phone"] == (True, False, "the last message went out")


@pytest.mark.parametrize("needed", [False, True])
def test_a_soak_without_a_phone_starts_unless_the_phone_is_needed(tmp_path, needed):
    bench = bench_with(phone={"enabled": True, "needed": needed})
    stepped = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=bench)
    found = board(phone=State.STARTING)
    found.down("phone", "first/1 (json): not sent")
    stepped.service.outlets = found.listed
    stepped.start()
    stepped.run(0.01)
    early = [c for c in _preflight(stepped.service)["checks"] if c["name"] == "phone"]
    assert "NOBODY WILL BE TOLD" in early[0]["text"]  # while the feed is still shut
    assert not stepped.service.parts.valve.is_open
    stepped.run(0.02)
    assert stepped.phases() == ["preflight", "ended" if needed else "filling"]
    assert ("NOBODY WILL BE TOLD" in stepped.session.reason) is needed
    stepped.journal.close()


def test_warnings_do_not_stop_a_soak():
    assert fit(check_outlets(board().listed(), phone_needed=False))
    assert not fit(check_outlets(board().listed(), phone_needed=True))


def test_a_card_that_can_only_be_read_is_named_as_such(tmp_path, monkeypatch):
    def of_a_worn_card(_):
        return SimpleNamespace(f_flag=os.ST_RDONLY)

    (disk, *_) = check_machine(tmp_path, synchronised=True, journal_trouble="")
    fine = os.statvfs
    assert disk.passed
    monkeypatch.setattr(os, "statvfs", of_a_worn_card)
    (disk, *_) = check_machine(tmp_path, synchronised=True, journal_trouble="")
    monkeypatch.setattr(os, "statvfs", fine)
    assert not disk.passed
    assert not disk.warning
    assert "replace the card" in disk.text
