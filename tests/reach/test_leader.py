"""Of several lookouts one leads, whatever breaks; another takes over within a stated time."""

from __future__ import annotations

import itertools
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakmon.reach.leader import Leadership, claim_of_follower

LEAD_S = 30.0
# The leader may be heard just before it dies; then a claim, its settling and the next look.
WITHIN_S = LEAD_S + 3.0


class Room:
    """Lookouts at one broker, which passes everything on at once and keeps the last."""

    def __init__(self, count: int) -> None:
        self.now_s = 0.0
        self.all = [Leadership("soakmon/_lookout/_all", f"run {k}", LEAD_S) for k in range(count)]
        self.there: set[int] = set()
        self.kept = b""
        self.told: dict[int, set[str]] = {k: set() for k in range(count)}

    def join(self, number: int) -> None:
        one = self.all[number]
        one.connection(True, self.now_s)
        self.there.add(number)
        if self.kept:
            one.take(self.kept, self.now_s)

    def leave(self, number: int) -> None:
        self.all[number].connection(False, self.now_s)
        self.there.discard(number)

    def restart(self, number: int) -> None:
        self.there.discard(number)
        again = f"{self.all[number].run}'"
        self.all[number] = Leadership("soakmon/_lookout/_all", again, LEAD_S)

    def step(self) -> None:
        self.now_s += 1.0
        for number in sorted(self.there):
            message = self.all[number].due(self.now_s, self.told[number])
            if message is not None:
                self.kept = message.payload.encode()
                for other in self.there:
                    self.all[other].take(self.kept, self.now_s)

    def leading(self) -> list[int]:
        return [number for number, one in enumerate(self.all) if one.leads(self.now_s)]

    def run(self, seconds: float) -> list[list[int]]:
        found = []
        for _ in range(round(seconds)):
            self.step()
            found.append(self.leading())
        return found


def test_one_alone_leads_at_once():
    room = Room(1)
    room.join(0)
    assert room.run(3)[-1] == [0]
    assert all(found == [0] for found in room.run(600))


def test_another_takes_over_when_the_first_falls_silent():
    room = Room(2)
    room.join(0)
    room.run(5)
    room.join(1)
    assert all(found == [0] for found in room.run(300))
    room.there.discard(0)  # dead, without a word
    found = room.run(WITHIN_S)
    assert found[-1][-1] == 1
    # Before it may take over, the first would have given up by itself.
    assert all(len(one) <= 1 for one in found)


def test_one_that_comes_back_does_not_take_it_again():
    room = Room(2)
    room.join(0)
    room.run(5)
    room.join(1)
    room.leave(0)
    room.run(WITHIN_S)
    room.join(0)
    assert all(found == [1] for found in room.run(300))


def test_what_was_told_is_known_to_who_starts_anew():
    room = Room(1)
    room.join(0)
    room.told[0] = {"silent/left"}
    room.run(5)
    room.restart(0)
    room.join(0)
    assert room.all[0].other.sent_keys == {"silent/left"}
    assert not any(room.run(LEAD_S - 2))
    assert room.run(5)[-1] == [0]


def test_what_has_been_told_is_said_at_once_and_not_all_the_time():
    one = Leadership("t", "a", LEAD_S)
    one.connection(True, 0.0)
    said = []
    for second in range(1, 61):
        message = one.due(float(second), {"silent/left"} if second > 31 else set())
        if message is not None:
            said.append(second)
            one.take(message.payload.encode(), float(second))
    assert said == [1, 11, 21, 31, 32, 42, 52]


def test_where_the_broker_throws_its_claims_away_it_tells_as_if_alone():
    one = Leadership("t", "a", LEAD_S)
    one.connection(True, 0.0)
    leads = []
    for second in range(60):
        one.due(float(second), set())
        leads.append(one.leads(float(second)))
    assert not any(leads[:20])
    assert all(leads[22:])
    assert one.unheard(59.0)


@settings(max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["join", "leave", "die", "restart", "nothing"]),
            st.integers(0, 2),
            st.integers(1, 50),
        ),
        max_size=12,
    )
)
def test_never_two_and_never_none_for_long(happenings):
    room = Room(3)
    room.join(0)
    for what, number, wait_s in happenings:
        if what == "join" and number not in room.there:
            room.join(number)
        elif what == "leave" and number in room.there:
            room.leave(number)
        elif what in {"die", "restart"} and number in room.there:
            room.restart(number)
        assert all(len(found) <= 1 for found in room.run(wait_s))
    if not room.there:
        room.join(0)
    found = room.run(2 * WITHIN_S)
    assert all(len(one) <= 1 for one in found)
    assert all(len(one) == 1 for one in found[round(WITHIN_S) + 1 :])


def test_two_that_claim_in_one_moment_are_one_before_they_tell():
    """Neither has heard the other's claim when it makes its own."""
    for order in itertools.permutations([0, 1]):
        pair = [Leadership("t", run, LEAD_S) for run in ("a", "b")]
        for one in pair:
            one.connection(True, 0.0)
        claims = [one.due(2.0, set()).payload.encode() for one in pair]
        for number in order:
            for one in pair:
                one.take(claims[number], 2.1)
        for tenth in range(21, 200):
            now_s = tenth / 10
            for one in pair:
                message = one.due(now_s, set())
                if message is not None:
                    for other in pair:
                        other.take(message.payload.encode(), now_s)
            assert [one.run for one in pair if one.leads(now_s)] in ([], ["b"])
        assert pair[1].leads(now_s)


@pytest.mark.parametrize(
    "payload",
    [b"", b"[]", b"{}", b"\xff", b"[" * 9999,
     json.dumps({"schema": "soakmon.lookout/1", "run": 1, "term": 1, "told": []}).encode(),
     json.dumps({"schema": "soakmon.lookout/1", "run": "x", "term": -1, "told": []}).encode(),
     json.dumps({"schema": "other/1", "run": "x", "term": 1, "told": []}).encode()],
)  # fmt: skip
def test_nonsense_takes_nothing_over(payload):
    room = Room(1)
    room.join(0)
    room.run(5)
    assert room.all[0].take(payload, room.now_s) is None
    assert room.leading() == [0]
    assert payload[:1] != b"{" or claim_of_follower(payload[:2]) is None
