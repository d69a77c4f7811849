"""What compares the hall must see one point that is missing, changed, doubled or nobody's."""

from __future__ import annotations

import json
from collections import Counter

import pytest

from sim.hall import Hall, Mishaps
from soakmon.reach.points import Point
from tests.hall import compare
from tests.hall.bench import HallService, Places
from tests.hall.phones import Phones


def point(bench: str, at_s: int, **fields: float) -> Point:
    return Point("soak_readings", {"bench": bench}, fields, at_s * 10**9, at_s)


POINTS = [point(f"bench-{k}", t, mass_g=300.0 + t, air_c=18.0) for k in range(3) for t in range(5)]


def test_what_is_there_once_is_well():
    wanted = compare.as_samples(POINTS)
    found = compare.compared(wanted, compare.as_samples(POINTS))
    assert (found.wanted, found.well) == (30, True)


@pytest.mark.parametrize(
    ("held", "missing", "doubled", "strange"),
    [
        (POINTS[1:], 2, 0, 0),
        ([*POINTS, POINTS[3]], 0, 2, 0),
        ([*POINTS, point("x", 0, mass_g=1.0)], 0, 0, 1),
        ([*POINTS[1:], point("bench-0", 0, mass_g=300.1)], 2, 0, 1),
        ([], 30, 0, 0),
    ],
)
def test_what_is_not_well_is_counted(held, missing, doubled, strange):
    found = compare.compared(compare.as_samples(POINTS), compare.as_samples(held))
    assert (found.missing, found.doubled, found.strange) == (missing, doubled, strange)
    assert not found.well
    assert found.first


def test_alarms_are_compared_by_their_marks():
    wanted = ["a" * 12, "b" * 12]
    assert compare.alarms_compared(wanted, wanted[::-1]).well
    assert compare.alarms_compared(wanted, wanted[:1]).missing == 1
    assert compare.alarms_compared(wanted, [*wanted, wanted[0]]).doubled == 1
    assert compare.alarms_compared(wanted, [*wanted, "c" * 12]).strange == 1


@pytest.mark.parametrize(
    ("named", "counted", "missing", "doubled"),
    [
        (["a/1", "a/2", "b/3"], {}, 0, 0),
        (["b/3"], {"a": 2}, 0, 0),
        (["b/3"], {"a": 1}, 1, 0),
        (["a/1", "b/3"], {"a": 2}, 0, 1),
        (["a/1", "a/1", "b/3"], {"a": 1}, 0, 1),
        (["a/1", "a/2"], {"a": 1}, 1, 1),
    ],
)
def test_silent_benches_are_named_or_counted_by_shop(named, counted, missing, doubled):
    found = compare.silent_compared(["a/1", "a/2", "b/3"], named, Counter(counted))
    assert (found.missing, found.doubled) == (missing, doubled)


def test_a_bench_of_the_hall_keeps_what_it_reads_and_goes_on_after_a_power_cut(tmp_path):
    hall = Hall(1, 300.0, Mishaps())
    plan, at_s = hall.benches[0], [1000.0]

    class Stepped(Places):
        def hall_s(self) -> float:
            return at_s[0] - 1000.0

    places = Stepped(1883, "http://localhost:1", "", 1, 1000.0, 1.7e9, 1.0, 5.0, 0.0)

    def live(to_s: int) -> HallService:
        service = HallService(tmp_path, plan, hall, places)
        if not service.begun:
            service.begin()
        while at_s[0] < 1000.0 + to_s:
            at_s[0] += 1.0
            service.tick()
        return service

    first = live(100)
    first.journal.commit()
    first.journal.close()
    at_s[0] += 20.0
    second = live(200)
    second.end("enough")
    rows = second.journal.read_rows(1)
    wanted = [*range(100), *range(121, 200)]
    assert rows.t_s.tolist() == wanted
    assert rows.mass_g.tolist() == hall.readings(plan, 0, 200).mass_g[wanted].tolist()
    second.journal.close()
    made = compare.points_of(tmp_path, plan)
    assert {point.measurement for point in made} >= {"soak_readings", "soak_drops", "soak_phase"}


def test_what_an_outsider_heard_is_read_by_topic(tmp_path):
    file = tmp_path / "ear.txt"
    lines = [
        {"topic": "soakmon/shop-1/bench-0001/alarms", "payload": {"uid": "a"}},
        {"topic": "soakmon/bench-0000/alarms", "payload": json.dumps({"uid": "b"})},
        {"topic": "soakmon/bench-0000/drops", "payload": "{}"},
    ]
    file.write_text("".join(json.dumps(line) + "\n" for line in lines))
    assert [one["uid"] for one in compare.heard_on(file, "alarms")] == ["a", "b"]


def test_messages_come_with_who_sent_them():
    phones = Phones()
    phones.close()
    assert phones.of("bench-") == []
