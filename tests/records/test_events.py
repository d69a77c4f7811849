"""What the journal's events hold, as today's and as earlier versions wrote them."""

from __future__ import annotations

import pytest

from soakmon.records.events import (
    AlarmsSeen,
    CheckResult,
    DropTimes,
    FeedChange,
    PhaseChange,
    PreflightChecks,
    Resumption,
    StandStill,
    all_of,
    as_recorded,
    content,
    contents,
)
from soakmon.records.journal import Event
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm, Fault

CHECK = CheckResult(name="cell", passed=True, text="good", warning=False)


def event(of: str, **data) -> Event:
    return Event(1, 1, 5.0, 1e9, of, data)


@pytest.mark.parametrize(
    "form",
    [
        PhaseChange(phase=Phase.ENDED, reason="time is up"),
        FeedChange(open=True),
        FeedChange(open=False, reason="a leak", itself=True),
        AlarmsSeen(alarms=(0, 2), uids=("a", "b")),
        PreflightChecks(checks=(CHECK,)),
        Resumption(gap_s=20.0, known=False),
        StandStill(text="the bench stood still", stood_s=12.0),
    ],
)
def test_what_is_written_is_read(form):
    assert content(event(form.KIND, **form.as_data())) == form
    assert "schema" not in form.as_data()  # the first of its kind


def test_what_earlier_versions_left_out_has_a_default():
    assert content(event("phase", phase="ended")) == PhaseChange(phase=Phase.ENDED)
    assert content(event("feed", open=False)) == FeedChange(open=False)
    assert content(event("ack", alarms=[1])) == AlarmsSeen(alarms=(1,), uids=None)
    alarm = {"t_s": 1.0, "kind": "weep", "carb": 2, "leak_g_per_h": 0.5, "text": "carb 2"}
    assert content(event("alarm", **alarm)) == Alarm(1.0, "weep", 2, 0.5, "carb 2")


def test_keys_of_later_versions_are_passed_over():
    assert content(event("feed", schema=2, open=True, by="anna")) == FeedChange(schema=2, open=True)
    fault = content(event("fault", t_s=1.0, kind="bump", text="knock", size_g=3.0))
    assert fault == Fault(1.0, "bump", "knock")


def test_of_a_kind_without_a_form_nothing_is_said():
    assert content(event("of_tomorrow", drops=[[2, 3.0]])) is None
    some = [event("curve"), event("feed", open=True), event("of_tomorrow")]
    assert list(contents(some)) == [(some[1], FeedChange(open=True))]


def test_a_damaged_event_says_so_and_is_no_matter_to_other_kinds():
    damaged = event("feed", reason="x")
    with pytest.raises(ValueError, match="open"):
        content(damaged)
    phase = event("phase", phase="ended")
    assert all_of(PhaseChange, [damaged, phase]) == [PhaseChange(phase=Phase.ENDED)]


def test_drops_of_earlier_versions_have_no_length():
    told = [[2, 3.125], [1, 3.5, 12.0]]
    found = content(event("drops", drops=told))
    assert found == DropTimes(drops=((2, 3.125), (1, 3.5, 12.0)))
    assert as_recorded(found) == ("drops", {"drops": told})
