"""What is taken from the broker into the list of benches, and how old it is said to be."""

from __future__ import annotations

import json

import pytest

from soakmon.bench.bench_status import BenchStatus
from soakmon.reach.fleet import MOST_BENCHES, Fleet
from soakmon.reach.topics import Topics, retained

WALL_S = 1_800_000_000.0


def payload(**values) -> bytes:
    return json.dumps({"taken_at": "2027-01-15T08:00:00.000+00:00"} | values).encode()


def take(fleet, topic, told, now_s=10.0, wall_s=WALL_S, *, retained=False):
    fleet.take(topic, told, now_s, wall_s, retained=retained)


def test_a_kept_value_is_as_old_as_it_says_and_a_live_one_as_it_is_here():
    fleet = Fleet()
    take(fleet, "far/phase", payload(phase="soaking"), wall_s=WALL_S + 300, retained=True)
    take(fleet, "far/state", payload(feed_open=True), wall_s=WALL_S + 300)
    (bench,) = fleet.listed(15.0)
    assert bench["phase"] == {"phase": "soaking", "age_s": 305.0}
    assert bench["state"] == {"feed_open": True, "age_s": 5.0}
    # A clock that runs ahead makes nothing younger than new.
    take(fleet, "far/phase", payload(phase="ended"), wall_s=WALL_S - 300, retained=True)
    assert fleet.listed(15.0)[0]["phase"]["age_s"] == 5.0


def test_an_empty_payload_takes_the_value_away():
    fleet = Fleet()
    take(fleet, "far/verdict", payload(verdict="tight", reason="", final=True))
    take(fleet, "far/verdict", b"")
    take(fleet, "unheard/verdict", b"")
    assert fleet.listed(10.0) == []
    take(fleet, "far/verdict", payload(verdict="tight", reason="", final=True))
    take(fleet, "far/phase", payload(phase="ended"))
    take(fleet, "far/verdict", b"")
    assert fleet.listed(10.0) == [{"name": "far", "phase": {"phase": "ended", "age_s": 0.0}}]


def test_benches_of_one_name_in_two_shops_are_two():
    fleet = Fleet()
    for topic in ("north/left/phase", "south/left/phase", "left/phase"):
        take(fleet, topic, payload(phase="idle"))
    assert [(one.get("shop"), one["name"]) for one in fleet.listed(10.0)] == [
        (None, "left"), ("north", "left"), ("south", "left"),
    ]  # fmt: skip


def test_alarms_that_wait_and_who_acknowledged_the_others():
    status = BenchStatus.model_validate(
        {
            "wall_s": WALL_S,
            "alarms": [
                {"t_s": k, "kind": "weep", "carb": k, "leak_g_per_h": 1, "text": f"alarm {k}"}
                | ({"acknowledged": True, "acknowledged_by": "ada"} if k < 3 else {})
                for k in range(1, 8)
            ],
        }
    )
    state = retained(Topics("soakmon", "far"), status, WALL_S)["state"]
    fleet = Fleet()
    take(fleet, "far/state", state.payload.encode())
    found = fleet.listed(10.0)[0]["state"]
    assert found["alarms_waiting"] == 5
    assert found["waiting"] == [
        {"kind": "weep", "carb": k, "text": f"alarm {k}"} for k in (7, 6, 5)
    ]
    assert [(one["text"], one["by"]) for one in found["acknowledged"]] == [
        ("alarm 2", "ada"), ("alarm 1", "ada"),
    ]  # fmt: skip
    # From a stranger: as little as is known, and no longer than helps.
    strange = [{"text": "x" * 9999, "carb": True, "by": ["ada"], "more": 1}, "no alarm", *[{}] * 9]
    take(fleet, "far/state", payload(waiting=strange))
    assert fleet.listed(10.0)[0]["state"]["waiting"] == [{"text": "x" * 500}, {}]


@pytest.mark.parametrize(
    ("topic", "told"),
    [
        ("far/result", payload(phase="x")),
        ("far/command/end", payload(phase="x")),
        ("a/b/c/phase", payload(phase="x")),
        ("a//phase", payload(phase="x")),
        ("Far<b>/phase", payload(phase="x")),
        ("far/phase", b"no json"),
        ("far/phase", b"[]"),
        ("far/phase", b"\xff"),
        ("far/phase", b'{"phase": "soaking"}'),
        ("far/phase", b'{"taken_at": 5}'),
        ("far/phase", b'{"taken_at": "yesterday"}'),
        ("far/phase", b"[" * 100_000),
        ("far/phase", payload(phase="x" * 100_001)),
    ],
)
def test_what_is_not_ours_is_ignored(topic, told):
    fleet = Fleet()
    take(fleet, topic, told)
    assert fleet.listed(10.0) == []


def test_only_known_keys_of_the_right_type_are_shown():
    fleet = Fleet()
    told = payload(alarms_waiting="<b>", alarms_total=True, feed_open=1, left_s=5, secret="x")
    take(fleet, "far/state", told)
    assert fleet.listed(10.0) == [{"name": "far", "state": {"left_s": 5, "age_s": 0.0}}]


def test_a_flood_of_names_has_an_end():
    fleet = Fleet()
    for number in range(MOST_BENCHES + 1):
        assert not fleet.full
        take(fleet, f"bench-{number}/phase", payload(phase="idle"))
    assert fleet.full
    assert len(fleet.listed(10.0)) == MOST_BENCHES
    fleet.forget()
    assert (fleet.benches, fleet.full, fleet.connected) == ({}, False, False)
