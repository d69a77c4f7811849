"""Alarms from memory: in order, once, to everybody, whatever the disk or another listener does."""

from __future__ import annotations

import threading
import time

import pytest

from soakmon.bench.teller import Teller, new_uid
from soakmon.records.latch import Latch


class Panel:
    lamp = buzzer = broken = False

    def show(self, *, lamp: bool, buzzer: bool) -> None:
        if self.broken:
            raise OSError("no such pin")
        self.lamp, self.buzzer = lamp, buzzer


@pytest.fixture
def heard() -> list:
    return []


@pytest.fixture
def teller(tmp_path, heard) -> Teller:
    latch = Latch(tmp_path / "latch")
    latch.allocate()
    return Teller(latch, Panel(), [lambda *told: heard.append(told)])


def test_what_happens_is_told_in_order_and_an_alarm_sounds(teller, heard):
    teller.tell(1.0, "phase", {"phase": "soaking"})
    teller.tell(2.0, "alarm", {"text": "a", "uid": new_uid()})
    assert not teller.panel.buzzer
    teller.deliver()
    assert [kind for _, kind, _ in heard] == ["phase", "alarm"]
    assert teller.panel.lamp
    assert teller.panel.buzzer


def test_the_same_alarm_is_told_once(teller, heard):
    alarm = {"text": "a", "uid": new_uid()}
    for _ in range(3):
        teller.tell(1.0, "alarm", alarm)
        teller.deliver()
    teller.tell(1.0, "alarm", alarm | {"uid": new_uid()})
    teller.deliver()
    assert len(heard) == 2


def test_a_listener_or_panel_that_fails_keeps_nobody_from_hearing(teller, heard):
    def failing(*_):
        raise RuntimeError("a fault in the program")

    teller.listeners.insert(0, failing)
    teller.panel.broken = True
    teller.tell(1.0, "alarm", {"text": "a", "uid": new_uid()})
    teller.deliver()
    assert len(heard) == 1


def test_the_latch_is_on_disk_before_anybody_is_told(teller, heard):
    on_disk = []
    teller.listeners.append(lambda *_: on_disk.append(Latch(teller.latch.path).reason))
    teller.latch.lift()
    teller.latch.hold("carb 2 overflows", "storm", 1.0)
    teller.tell(1.0, "alarm", {"text": "a", "uid": new_uid()})
    scribe = threading.Timer(0.1, teller.latch.write)
    scribe.start()
    teller.deliver()
    scribe.join()
    assert on_disk == ["carb 2 overflows"]


def test_a_disk_that_hangs_holds_nobody_up_for_long(teller, heard, monkeypatch):
    monkeypatch.setattr("soakmon.bench.teller._WAITS_FOR_LATCH_S", 0.05)
    teller.latch.hold("carb 2 overflows", "storm", 1.0)
    teller.tell(1.0, "alarm", {"text": "a", "uid": new_uid()})
    began_s = time.monotonic()
    teller.deliver()
    assert len(heard) == 1
    assert time.monotonic() - began_s >= 0.05


@pytest.mark.parametrize("hanging", ["listener", "panel"])
def test_who_hangs_keeps_nobody_from_hearing_and_hears_all_in_the_end(teller, heard, hanging):
    hangs, late = threading.Event(), []

    def slow(*told):
        hangs.wait(10)
        late.append(told)

    if hanging == "panel":
        teller.panel.show = lambda **_: slow(1.0)
    else:
        teller.listeners.insert(0, slow)
    began_s = time.monotonic()
    for t_s in (1.0, 2.0, 3.0):
        teller.tell(t_s, "alarm", {"text": "a", "uid": new_uid()})
        teller.deliver()
    # It is waited for once.
    assert time.monotonic() - began_s < 2.0
    assert [t_s for t_s, _, _ in heard] == [1.0, 2.0, 3.0]
    hangs.set()
    until_s = time.monotonic() + 5
    while len(late) < 3 and time.monotonic() < until_s:
        time.sleep(0.01)
    assert [told[0] for told in late] == ([1.0] * 3 if hanging == "panel" else [1.0, 2.0, 3.0])
