"""Worst first, found by words, a page at a time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.reach.fleet_order import MOST_SHOWN, NEEDS, Asked, BenchStanding, shown, standing


def bench(name="far", *, air="online", age_s=5.0, phase="idle", verdict="", final=True, **state):
    made = {
        "name": name,
        "availability": {"state": air, "reason": ""},
        "phase": {"phase": phase, "reason": ""},
        "state": state | {"age_s": age_s},
    }
    if verdict:
        made["verdict"] = {"verdict": verdict, "reason": f"{verdict} as invented", "final": final}
    return made


@pytest.mark.parametrize(
    ("one", "stands"),
    [
        (bench(), "idle"),
        (bench(air="offline"), "away"),
        (bench(phase="soaking"), "running"),
        (bench(phase="soaking", verdict="not_proven", final=False), "running"),
        (bench(phase="soaking", air="offline"), "silent"),
        (bench(phase="soaking", age_s=121.0), "silent"),
        (bench(phase="soaking", verdict="leaking", final=False), "leaking"),
        (bench(phase="isolating", verdict="leaking", final=False, age_s=999.0), "silent"),
        (bench(phase="soaking", alarms_waiting=1, air="offline"), "waiting"),
        (bench(alarms_waiting=2), "waiting"),
        (bench(phase="ended", verdict="leaking"), "leaking"),
        (bench(phase="ended", verdict="not_proven"), "not_proven"),
        (bench(phase="ended", verdict="tight"), "tight"),
        (bench(phase="ended", verdict="tight", air="offline"), "away"),
        (bench(cell_trouble="no readings"), "trouble"),
        (bench(guard_trouble="x", air="offline"), "away"),
        ({"name": "far"}, "idle"),
        # A state that was never heard while a soak runs is no sign of life.
        ({"name": "far", "phase": {"phase": "soaking"}}, "silent"),
        ({"name": "far", "verdict": {"verdict": "nonsense", "final": True}}, "idle"),
    ],
)
def test_how_a_bench_stands(one, stands):
    assert standing(one) == stands


def test_worst_first_then_by_shop_and_name():
    benches = [
        bench("d"), bench("c", phase="soaking"), bench("b", alarms_waiting=1), bench("a"),
        bench("e", alarms_waiting=1) | {"shop": "north"},
    ]  # fmt: skip
    page = shown(benches, Asked())
    assert [one["name"] for one in page.benches] == ["b", "e", "c", "a", "d"]
    assert page.standings == {"waiting": 2, "running": 1, "idle": 2}
    assert list(page.standings) == ["waiting", "running", "idle"]


def test_words_must_all_be_found():
    benches = [
        bench("left", waiting=[{"text": "Leak at carb 2"}]) | {"shop": "north"},
        bench("right", acknowledged=[{"text": "x", "by": "Ada"}]),
        bench("other", phase="ended", verdict="tight"),
    ]
    for words, names in [
        ("", {"left", "right", "other"}), ("NORTH carb", {"left"}), ("ada", {"right"}),
        ("tight invented", {"other"}), ("north ada", set()), ("idle", {"left", "right"}),
    ]:  # fmt: skip
        assert {one["name"] for one in shown(benches, Asked(words)).benches} == names, words
    page = shown(benches, Asked("ada"))
    assert (page.total, page.found) == (3, 1)


def test_which():
    benches = [bench("a", phase="soaking"), bench("b", alarms_waiting=1), bench("c")]
    for which, names in [("all", "bac"), ("needs", "b"), ("running", "a")]:
        page = shown(benches, Asked(which=which))
        assert "".join(one["name"] for one in page.benches) == names


some = st.builds(
    bench,
    name=st.text("abc", min_size=1, max_size=3),
    air=st.sampled_from(["online", "offline"]),
    age_s=st.sampled_from([1.0, 500.0]),
    phase=st.sampled_from(["idle", "soaking", "ended"]),
    verdict=st.sampled_from(["", "tight", "leaking", "not_proven"]),
    alarms_waiting=st.integers(0, 2),
)


@given(st.lists(some, max_size=30), st.integers(1, 7))
def test_pages_hold_every_bench_once_and_none_is_worse_than_one_before(benches, most):
    pages = [
        shown(benches, Asked(first=first, most=most)) for first in range(0, len(benches) + 1, most)
    ]
    found = [one for page in pages for one in page.benches]
    assert sorted(one["name"] for one in found) == sorted(one["name"] for one in benches)
    ranks = [list(BenchStanding).index(one["standing"]) for one in found]
    assert ranks == sorted(ranks)
    assert {page.found for page in pages} == {len(benches)}
    assert sum(pages[0].standings.values()) == len(benches)
    needs = shown(benches, Asked(which="needs", most=MOST_SHOWN)).benches
    assert {one["standing"] for one in needs} <= NEEDS
    assert len(needs) == sum(one["standing"] in NEEDS for one in found)
