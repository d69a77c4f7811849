"""What is taken from the broker into the list of benches, and how old it is said to be."""

from __future__ import annotations

import json

import pytest

from soakmon.reach.fleet import Fleet

WALL_S = 1_800_000_000.0


def payload(**values) -> bytes:
    return json.dumps({"taken_at": "2027-01-15T08:00:00.000+00:00"} | values).encode()


def take(fleet, topic, told, now_s=10.0, wall_s=WALL_S, *, kept=False):
    fleet.take(topic, told, now_s, wall_s, kept=kept)


def test_a_kept_value_is_as_old_as_it_says_and_a_live_one_as_it_is_here():
    fleet = Fleet()
    take(fleet, "far/phase", payload(phase="soaking"), wall_s=WALL_S + 300, kept=True)
    take(fleet, "far/state", payload(feed_open=True), wall_s=WALL_S + 300)
    (bench,) = fleet.listed(15.0)
    assert bench["phase"] == {"phase": "soaking", "age_s": 305.0}
    assert bench["state"] == {"feed_open": True, "age_s": 5.0}
    # A clock that runs ahead makes nothing younger than new.
    take(fleet, "far/phase", payload(phase="ended"), wall_s=WALL_S - 300, kept=True)
    assert fleet.listed(15.0)[0]["phase"]["age_s"] == 5.0


def test_an_empty_payload_takes_the_value_away():
    fleet = Fleet()
    take(fleet, "far/verdict", payload(verdict="tight", reason="", final=True))
    take(fleet, "far/verdict", b"")
    take(fleet, "unheard/verdict", b"")
    assert fleet.listed(10.0) == [{"name": "far"}]


@pytest.mark.parametrize(
    ("topic", "told"),
    [
        ("far/result", payload(phase="x")),
        ("far/command/end", payload(phase="x")),
        ("a/b/phase", payload(phase="x")),
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
    for number in range(200):
        take(fleet, f"bench-{number}/phase", payload(phase="idle"))
    assert len(fleet.listed(10.0)) == 50
