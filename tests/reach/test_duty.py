"""What a lookout sends, holds and drops: none missed, few messages, each told once."""

from __future__ import annotations

import re
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakmon.reach.duty import Duty
from soakmon.reach.rules import Notification
from soakmon.texts import texts, translated

GATHER_S, LEAD_S = 10.0, 30.0


def begins(name: str, kind: str = "silent") -> Notification:
    return Notification(f"{kind}/{name}", f"Bench {name} is silent", "x", urgent=True)


def ends(name: str, kind: str = "silent") -> Notification:
    return Notification(f"{kind}/{name}", f"Bench {name} is back", "x", urgent=False)


class Watched:
    """A duty, second by second."""

    def __init__(self, *, leads: bool = True) -> None:
        self.duty, self.leads, self.now_s = Duty(GATHER_S, LEAD_S), leads, 0.0
        self.sent: list[tuple[float, Notification]] = []

    def take(self, *notes: Notification) -> None:
        self.duty.take(notes, self.now_s)

    def run(self, seconds: float, *, led: bool = True, arrives: bool = True) -> list[str]:
        before = len(self.sent)
        for _ in range(round(seconds)):
            self.now_s += 1.0
            for note in self.duty.due(self.now_s, leads=self.leads, led=led):
                self.sent.append((self.now_s, note))
            if arrives:
                self.duty.delivered(set())
        return [note.title for _, note in self.sent[before:]]


def test_one_or_two_are_told_by_name():
    watched = Watched()
    watched.take(begins("left"), begins("right"))
    assert watched.run(GATHER_S - 1) == []
    assert watched.run(1) == ["Bench left is silent", "Bench right is silent"]


def test_many_that_fall_silent_one_after_the_other_are_one_message_that_names_them():
    watched = Watched()
    for number in range(9):
        watched.take(begins(f"bench-{number}"))
        watched.run(1)
    watched.run(GATHER_S)
    ((at_s, note),) = watched.sent
    assert at_s == GATHER_S
    assert note.title == "9 benches are silent"
    assert all(f"bench-{number}" in note.body for number in range(9))
    watched.take(*(ends(f"bench-{number}") for number in range(9)))
    assert watched.run(GATHER_S) == ["9 benches are back"]


def test_a_thousand_are_a_few_messages_none_left_out():
    watched = Watched()
    names = [f"shop-{number % 7}/bench-{number}" for number in range(1000)]
    watched.take(*map(begins, names), begins("east/left"), begins("alone"))
    watched.run(GATHER_S)
    ((_, note),) = watched.sent
    assert note.title == "1002 benches are silent"
    assert re.findall(r"(\d+) benches of the shop (\S+?)[,.]", note.body) == [
        ("143", f"shop-{number}") if number < 6 else ("142", "shop-6") for number in range(7)
    ]
    assert ": alone, east/left, 143 benches" in note.body  # of one or two the shop says nothing
    watched.take(*map(ends, names))
    assert watched.run(GATHER_S) == ["1000 benches are back"]


def test_of_many_shops_the_messages_are_few_and_none_is_left_out():
    watched = Watched()
    names = [f"shop-{number % 400}/bench-{number}" for number in range(17_000)]
    watched.take(*map(begins, names))
    watched.run(GATHER_S)
    counted = [
        (shop, int(count))
        for _, note in watched.sent
        for count, shop in re.findall(r"(\d+) benches of the shop (\S+?)[,.]", note.body)
    ]
    assert dict(counted) == Counter(name.partition("/")[0] for name in names)
    assert len(counted) == 400
    assert len(watched.sent) <= 10
    assert max(len(note.body) for _, note in watched.sent) < 2000


def test_some_hundreds_and_those_of_no_shop_are_named():
    for names in (
        [f"shop-{number % 7}/bench-{number}" for number in range(300)],
        [f"bench-{number}" for number in range(700)],
    ):
        watched = Watched()
        watched.take(*map(begins, names))
        watched.run(GATHER_S)
        found = [
            name for _, note in watched.sent for name in re.findall(r"\S*bench-\d+", note.body)
        ]
        assert sorted(found) == sorted(names)
        assert len({note.key for _, note in watched.sent}) == len(watched.sent)


@pytest.mark.parametrize("count", [300, 3000])
def test_the_longest_messages_are_said_in_german_too(count):
    watched = Watched()
    watched.take(*(begins(f"shop-{number % 150}/bench-{number}") for number in range(count)))
    watched.run(GATHER_S)
    assert len(watched.sent) > 1
    for _, note in watched.sent:
        told = translated(note.body, "de")
        assert "zuerst nach Strom und Netz" in told
        assert "benches" not in told
        assert told.count("shop-") == note.body.count("shop-")


def test_what_cannot_wait_does_not():
    watched = Watched()
    watched.take(begins("left", "alone"), begins("left", "twins"))
    assert len(watched.run(1)) == 2


def test_who_does_not_lead_holds_until_the_leader_has_told():
    watched = Watched(leads=False)
    watched.take(begins("left"), begins("right"))
    assert watched.run(30) == []
    watched.duty.heard({"silent/left"})
    watched.leads = True  # the leader has died
    assert watched.run(GATHER_S) == ["Bench right is silent"]


def test_an_end_that_the_leader_has_told_is_dropped_as_well():
    watched = Watched(leads=False)
    watched.take(ends("left"), ends("right"))
    watched.duty.heard({"silent/right"})
    watched.leads = True
    assert watched.run(GATHER_S) == ["Bench right is back"]


def test_what_the_leader_never_tells_is_told_all_the_same():
    watched = Watched(leads=False)
    watched.take(begins("left"))
    for _ in range(6):
        assert watched.run(10) == []
        watched.duty.heard(set())
    assert watched.run(2 * LEAD_S + GATHER_S - 60) == ["Bench left is silent"]


def test_the_broker_is_told_by_who_led_and_later_by_the_other():
    for led, after_s in ((True, 1.0), (False, LEAD_S)):
        watched = Watched(leads=False)
        watched.take(Notification("broker", "The broker is gone", "x", urgent=True))
        watched.run(60, led=led)
        assert [at_s for at_s, _ in watched.sent] == [after_s]


def test_told_is_what_has_arrived():
    watched = Watched()
    watched.take(begins("left"))
    begun = {"silent/left", "silent/old"}
    assert watched.duty.sent_keys(begun) == {"silent/old"}
    watched.run(GATHER_S, arrives=False)
    assert watched.duty.sent_keys(begun) == {"silent/old"}  # still on its way
    watched.duty.delivered(set())
    assert watched.duty.sent_keys(begun) == begun
    watched.take(ends("old"))
    assert watched.duty.sent_keys({"silent/left"}) == begun  # its end is not known yet
    watched.run(GATHER_S)
    assert watched.duty.sent_keys({"silent/left"}) == {"silent/left"}


name = st.sampled_from([f"bench-{number}" for number in range(6)])


@settings(max_examples=300)
@given(st.lists(st.tuples(name, st.integers(0, 15)), max_size=15), st.integers(0, 60))
def test_a_leader_that_dies_at_any_moment_leaves_none_untold_and_none_twice(falls, dies_s):
    """Two see the same; what the one has told is published every second, as it is on the wire."""
    first, second = Watched(), Watched(leads=False)
    begun: set[str] = set()
    due = sorted(
        (sum(wait for _, wait in falls[: k + 1]), bench) for k, (bench, _) in enumerate(falls)
    )
    for now_s in range(400):
        for at_s, bench in due:
            key = f"silent/{bench}"
            if at_s == now_s and key not in begun:
                begun.add(key)
                first.take(begins(bench))
                second.take(begins(bench))
        if now_s < dies_s:
            first.run(1)
            second.duty.heard(first.duty.sent_keys(begun))
        second.leads = now_s >= dies_s + LEAD_S
        second.run(1)
    told = [
        found
        for _, note in first.sent + second.sent
        for found in re.findall(r"bench-\d", f"{note.title} {note.body}")
    ]
    assert sorted(told) == sorted(key.partition("/")[2] for key in begun)


def test_every_gathered_message_is_said_in_german():
    for key, text in texts().items():
        if key.startswith("duty."):
            filled = text.format(count=7, names="left, north/right", shop="east")
            assert translated(filled, "de") == texts("de")[key].format(
                count=7, names="left, north/right", shop="east"
            )
