"""How a bench is called: what is put together comes apart again, and nothing else is an address."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.bench_address import address_of, is_address, parts_of

NAMES = st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True)


@given(st.just("") | NAMES, NAMES)
def test_an_address_comes_apart_as_it_was_put_together(shop, bench):
    address = address_of(shop, bench)
    assert parts_of(address) == (shop, bench)
    assert is_address(address)


@pytest.mark.parametrize(
    "text", ["", "/", "a/", "/a", "a/b/c", "A", "a b", "a_b", "+", "#", "a\n", "x" * 33, "ä"]
)
def test_what_would_reach_further_is_no_address(text):
    assert not is_address(text)
