"""The one line: it comes back as it was, and what is damaged is told without what is in it."""

from __future__ import annotations

import base64
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.enrol.line import Invitation, as_line, of_line
from soakmon.errors import InputError

PARTS = st.text("abc0-", min_size=1, max_size=32)
TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=40)
INVITATIONS = st.builds(
    Invitation, bench=PARTS, shop=st.just("") | PARTS, host=TEXT, port=st.integers(1, 65535),
    password=TEXT, authority=TEXT, store_url=TEXT, store_token=TEXT, records_url=TEXT,
)  # fmt: skip


@given(INVITATIONS)
def test_a_line_comes_back_also_folded_by_a_terminal(invitation):
    line = as_line(invitation)
    assert " " not in line
    assert of_line(line) == invitation
    folded = "\n".join(line[k : k + 60] for k in range(0, len(line), 60))
    assert of_line(f"  {folded}\n") == invitation


GOOD = as_line(Invitation(bench="left", host="h", port=1, password="secret-word"))


@given(at=st.integers(0, len(GOOD) - 1), by=st.sampled_from("aZ9_-."))
def test_a_letter_that_is_wrong_is_noticed(at, by):
    damaged = GOOD[:at] + by + GOOD[at + 1 :]
    if damaged == GOOD:
        return
    try:
        found = of_line(damaged)
    except InputError as error:
        told = str(error)
    else:
        # The last letters hold spare bits: a change there may say the same.
        told = "" if found == of_line(GOOD) else "secret-word"
    assert "secret-word" not in told


@pytest.mark.parametrize(
    "line",
    ["", "soakmon-1.", "soakmon-1.!!!", GOOD[:-9], GOOD.removeprefix("soakmon"),
     "soakmon-1." + base64.urlsafe_b64encode(zlib.compress(b"{}")).decode(),
     "soakmon-1." + base64.urlsafe_b64encode(zlib.compress(b" " * 10**6)).decode()],
)  # fmt: skip
def test_what_is_no_line_is_one_error(line):
    with pytest.raises(InputError, match=r"copy all of it"):
        of_line(line)
