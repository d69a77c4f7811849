"""Addresses that hang, and those beside them."""

from __future__ import annotations

import threading

import pytest

from soakmon.reach.delivery_queue import DeliveryQueue
from soakmon.reach.phone import Target
from soakmon.reach.rules import Notification
from soakmon.reach.supervise import ReachError

FLOOD = Notification("alarm/1", "FLOOD", "b", urgent=True, second=True)
SHORT_S = 0.05


class Shop:
    """A post whose addresses hang, fail or take; `got` is (address, title)."""

    def __init__(self, *addresses):
        self.hang, self.fail = set(), set()
        self.got, self.tried = [], []
        self.let_go = threading.Event()
        self.clock = 0.0
        targets = [Target(who, i, f"json://{who}.example") for who, i in addresses]
        self.names = [target.name for target in targets]
        self.post = DeliveryQueue(targets, [], self.deliver, lambda: self.clock)

    def deliver(self, target, title, body, *, urgent):
        self.tried.append(target.name)
        if target.name in self.hang:
            self.let_go.wait(20)
        if target.name in self.fail:
            raise ReachError(f"{target.name}: not sent")
        self.got.append((target.name, title))

    def pass_s(self, seconds, step_s=1.0):
        for _ in range(round(seconds / step_s)):
            self.clock += step_s
            self.post.round(0.0)

    def settle(self):
        self.post.round(SHORT_S)


@pytest.fixture
def shop():
    made = []

    def make(*addresses):
        made.append(Shop(*addresses))
        return made[-1]

    yield make
    for one in made:
        one.let_go.set()


def test_an_address_that_hangs_holds_up_nobody(shop):
    shop = shop(("first", 1), ("first", 2), ("second", 1))
    shop.hang = {shop.names[0]}
    shop.post.add(FLOOD, 0.0)
    shop.settle()
    assert {name for name, _ in shop.got} == set(shop.names[1:])
    # Hours later: new alarms and reminders go on.
    for hour in range(3):
        shop.pass_s(3600, 60.0)
        shop.post.add(
            Notification(f"alarm/new {hour}", f"new {hour}", "b", urgent=True, second=True), 0.0
        )
        shop.settle()
        for name in shop.names[1:]:
            assert (name, f"new {hour}") in shop.got


def test_something_urgent_that_waits_is_told_after_ten_seconds(shop):
    shop = shop(("first", 1), ("first", 2))
    shop.hang = {shop.names[0]}
    shop.post.add(FLOOD, 0.0)
    shop.settle()
    shop.pass_s(9)
    assert shop.post.trouble() == ""
    shop.pass_s(1)
    assert "first/1 (json): an urgent message has waited for 10 s" in shop.post.trouble()
    shop.pass_s(10)
    assert "first/1 (json): no answer within 15 s" in shop.post.trouble()


def test_what_only_waits_without_haste_is_no_trouble(shop):
    shop = shop(("first", 1))
    shop.hang = {shop.names[0]}
    shop.post.add(Notification("result/1", "TIGHT", "b", urgent=False), 0.0)
    shop.settle()
    shop.pass_s(12)
    assert shop.post.trouble() == ""


def test_a_reminder_does_not_begin_the_wait_anew(shop):
    shop = shop(("first", 1))
    shop.hang = {shop.names[0]}
    for _ in range(4):
        shop.post.add(FLOOD, 0.0)
        shop.settle()
        shop.pass_s(3)
    assert "has waited for 12 s" in shop.post.trouble()


def test_the_threads_that_hang_are_few(shop):
    shop = shop(("first", 1))
    shop.hang = {shop.names[0]}
    shop.post.add(FLOOD, 0.0)
    shop.pass_s(12 * 3600, 5.0)
    assert 40 < len(shop.tried) < 70


def test_an_address_that_comes_back_is_used_again_and_a_late_success_counts(shop):
    shop = shop(("first", 1))
    shop.hang = {shop.names[0]}
    shop.post.add(FLOOD, 0.0)
    shop.pass_s(20)
    assert shop.post.trouble()
    shop.let_go.set()
    for _ in range(200):
        if shop.post.letters:
            threading.Event().wait(0.01)
            shop.settle()
    assert shop.got == [(shop.names[0], "FLOOD")]
    assert shop.post.letters == []
    assert shop.post.trouble() == ""
    shop.post.add(Notification("alarm/2", "Weep", "b", urgent=True), 0.0)
    shop.settle()
    assert shop.got[-1] == (shop.names[0], "Weep")


def test_one_try_of_each_address_in_a_round(shop):
    shop = shop(("first", 1), ("first", 2))
    shop.fail = {shop.names[0]}
    shop.post.lines[shop.names[0]].backoff.uniform = lambda: 0.0
    for number in range(5):
        shop.post.add(Notification(f"alarm/{number}", f"alarm {number}", "b", urgent=True), 0.0)
    shop.settle()
    assert shop.tried.count(shop.names[0]) == 1
    assert [title for name, title in shop.got if name == shop.names[1]] == [
        f"alarm {number}" for number in range(5)
    ]


def test_what_an_address_refuses_does_not_hold_up_its_next_message(shop):
    shop = shop(("first", 1))

    def deliver(target, title, body, *, urgent):
        if title == "too long":
            raise ReachError(f"{target.name}: refused")
        shop.got.append((target.name, title))

    shop.post.deliver = deliver
    shop.post.add(Notification("alarm/1", "too long", "b", urgent=True), 0.0)
    shop.post.add(Notification("alarm/2", "Weep", "b", urgent=True), 0.0)
    shop.settle()
    shop.clock += 60
    shop.settle()
    assert shop.got == [(shop.names[0], "Weep")]


def test_a_delivery_that_breaks_in_any_way_is_only_a_failure(shop):
    shop = shop(("first", 1))

    def deliver(target, title, body, *, urgent):
        raise KeyError("json://secret.example")

    shop.post.deliver = deliver
    shop.post.add(FLOOD, 0.0)
    shop.settle()
    assert shop.post.trouble() == "first/1 (json): failed: KeyError"
