"""Topics of many benches: none is taken for another."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from soakmon.config import Bench
from soakmon.reach.discovery import device
from soakmon.reach.topics import Topics, all_benches, place_of

name = st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True)
short = st.text("a-", min_size=1, max_size=4)
bench = st.builds(lambda shop, own: Topics("soakmon", own, shop=shop), st.just("") | short, short)


@given(st.just("") | name, name)
def test_a_place_is_found_again(shop, own):
    topics = Topics("soakmon", own, shop=shop)
    Bench.model_validate({"service": {"name": own, "shop": shop}})
    below = topics.of("state").removeprefix("soakmon/")
    assert place_of(below) == (topics.address, "state")
    assert place_of(topics.command("end").removeprefix("soakmon/")) in {
        None, (f"{topics.address}/command", "end"),
    }  # fmt: skip
    assert place_of(topics.of_identity("0123").removeprefix("soakmon/")) is None


@given(bench, bench)
def test_no_two_benches_are_one_device_of_a_dashboard(one, two):
    assert re.fullmatch(r"[a-zA-Z0-9_-]+", device(one))
    assert (device(one) == device(two)) is (one.address == two.address)


def test_one_shop_or_all():
    assert all_benches("soakmon", ["state"]) == ["soakmon/+/state", "soakmon/+/+/state"]
    assert all_benches("soakmon", ["state"], "north") == ["soakmon/north/+/state"]
