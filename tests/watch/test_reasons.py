"""Why a verdict is what it is: each doubt by itself, at its limit."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from soakmon.watch import reasons
from soakmon.watch.closing import Posterior
from soakmon.watch.late_bowl import LateFill
from soakmon.watch.located_leak import LocatedLeak
from soakmon.watch.reasons import doubts_of, outcome_of
from soakmon.watch.verdict import Band, Fault, Outcome

SOAK_S = 36_000.0
SURE = Posterior(1.0, 0.0, (0.0, 0.0), 0.0, Band(0.01, 0.0, 0.02))


def record_of(**changed) -> SimpleNamespace:
    """A sound soak of ten hours, of which nothing keeps tightness from being proven."""
    filters = SimpleNamespace(leak_by_filter=lambda _: (np.ones(1), np.zeros(1), np.ones(1)))
    band = Band(2.0, 1.0, 3.0)
    follower = {"blind_s": 0.0, "stood_s": 0.0, "longest_gap_s": 0.0}
    finder = {"differs": False, "taken_g": 100.0}
    settings = {"bowls_measured": False, "criterion_g_per_day": 2.0, "blank_scale": None}
    made = {"no_air_s": 0.0, "excess": 1.0, "observed_g": 2.0, "described_g": 100.0, "start_s": 0.0}
    made |= (
        {"late": []}
        | follower
        | finder
        | settings
        | {"filters": filters, "expected": band}
        | changed
    )
    return SimpleNamespace(
        start_s=0.0,
        soak_s=0.0,
        last_s=SOAK_S,
        follower=SimpleNamespace(**{name: made[name] for name in follower}),
        finder=SimpleNamespace(
            fill=SimpleNamespace(
                **{name: made[name] for name in finder}, late=SimpleNamespace(fills=made["late"])
            ),
            content=SimpleNamespace(described_g=made["described_g"]),
        ),
        settings=SimpleNamespace(
            **{name: made[name] for name in settings},
            priors=SimpleNamespace(blank_scale=made["blank_scale"]),
        ),
        tally=SimpleNamespace(no_air_s=made["no_air_s"]),
        weep=SimpleNamespace(fit=SimpleNamespace(excess=made["excess"]), filter=made["filters"]),
        curve=SimpleNamespace(
            observed_g=lambda: made["observed_g"], expected=lambda: made["expected"]
        ),
    )


@pytest.fixture(autouse=True)
def _cell_that_lives(monkeypatch):
    monkeypatch.setattr(reasons, "alive", lambda _: True)
    monkeypatch.setattr(reasons, "lost_nothing", lambda _: False)


def doubts(
    *, belief: Posterior = SURE, faults: tuple[Fault, ...] = (), short: int = 0, **changed
) -> list[str]:
    return doubts_of(record_of(**changed), belief, list(faults), short)


def test_a_sound_soak_leaves_no_doubt():
    assert doubts() == []


LIMITS = [
    ("blind_s", 3600.0, "no load-cell readings"),
    ("no_air_s", SOAK_S / 2, "no temperature"),
    ("excess", 2.5, "wanders"),
]


@pytest.mark.parametrize(("name", "limit", "told"), LIMITS)
def test_doubts_begin_at_their_limits(name, limit, told):
    assert doubts(**{name: 0.99 * limit}) == []
    (doubt,) = doubts(**{name: 1.01 * limit})
    assert told in doubt


def test_a_cell_that_stood_for_most_of_the_time_is_stuck_and_not_gone():
    for stood_s, told in ((2100.0, "same reading"), (1900.0, "no load-cell readings")):
        (doubt,) = doubts(blind_s=4000.0, stood_s=stood_s)
        assert told in doubt


def test_a_bottle_that_gets_heavier_is_no_tight_rack():
    assert doubts(observed_g=-0.09) == []
    (doubt,) = doubts(observed_g=-0.12)
    assert "0.12 g heavier" in doubt


def test_a_cell_that_is_not_seen_to_live_proves_nothing(monkeypatch):
    monkeypatch.setattr(reasons, "alive", lambda _: False)
    (doubt,) = doubts()
    assert "less was lost" in doubt


@pytest.mark.parametrize(
    ("below_sd", "observed_g", "expected_g", "told"),
    [
        (3.1, 0.9, 2.0, True),
        (2.9, 0.9, 2.0, False),  # the leak is not surely negative
        (3.1, 1.1, 2.0, False),  # inside the band
        (3.1, 0.0, 0.29, False),  # next to nothing was expected
        (3.1, None, 2.0, False),
    ],
)
def test_less_than_drift_and_temperature_explain_is_a_doubt(below_sd, observed_g, expected_g, told):
    filters = SimpleNamespace(
        leak_by_filter=lambda _: (np.array([0.51, 0.49]), np.array([-below_sd, 0.0]), np.ones(2))
    )
    band = Band(expected_g, 1.0, 3.0)
    assert bool(doubts(filters=filters, observed_g=observed_g, expected=band)) == told


def test_faults_that_hide_what_happened_are_doubts():
    stuck = Fault(0.0, "gate_stuck", "", 2), Fault(9.0, "gate_stuck", "", 1)
    (doubt,) = doubts(faults=(*stuck, Fault(0.0, "gate_noise", "", 4)))
    assert "gate 1 and 2 did" in doubt
    (doubt,) = doubts(faults=(Fault(0.0, "bottle_empty", ""),))
    assert "ran dry" in doubt
    assert doubts(faults=(Fault(0.0, "bump", ""), Fault(0.0, "gate_noise", "", 1))) == []


def test_a_fill_that_was_short_is_a_needle_only_where_bowls_were_measured():
    (doubt,) = doubts(short=1, bowls_measured=True)
    assert "did not fill" in doubt
    (doubt,) = doubts(short=1, taken_g=70.0)
    assert "took 70 g" in doubt
    assert "bowl_volume_ml" in doubt
    assert "needle" not in doubt, "nobody has described the bowls"
    (doubt,) = doubts(differs=True, taken_g=150.0, bowls_measured=True)
    assert "100 g" in doubt
    assert "correct it" in doubt
    (doubt,) = doubts(differs=True, taken_g=60.0, bowls_measured=True)
    assert "stuck shut" in doubt


def test_counts_that_may_be_drops_name_their_gate():
    belief = Posterior(0.7, 0.1, (0.19, 0.21), 0.0, SURE.leak)
    (doubt,) = doubts(belief=belief)
    assert "gate 2" in doubt


@pytest.mark.parametrize(
    ("above", "high_g_per_day", "ruled_out"),
    [(0.0049, 1.9, True), (0.0051, 1.9, False), (0.0049, 2.1, False)],
)
def test_tight_takes_both_the_belief_and_the_bound(above, high_g_per_day, ruled_out):
    belief = Posterior(1.0, 0.0, (), above, Band(0.0, 0.0, high_g_per_day / 24))
    assert (doubts(belief=belief) == []) == ruled_out


def test_a_bound_below_what_matters_is_not_denied():
    """The print shows the 95 % bound: the sentence says how sure it is and how sure tight is."""
    narrow = Posterior(1.0, 0.0, (), 0.021, Band(0.0, 0.0, 1.6 / 24))
    (doubt,) = doubts(belief=narrow)
    assert "above 2 g/day is ruled out with 97.9% confidence only" in doubt
    assert "99.5%" in doubt
    (doubt,) = doubts(belief=Posterior(1.0, 0.0, (), 0.021, Band(0.0, 0.0, 2.1 / 24)))
    assert "above 2 g/day cannot be ruled out" in doubt


def test_a_bracket_of_most_of_the_soak_is_no_beginning():
    for bracket, told in (
        ((240.0, 0.5 * SOAK_S), "begun between"),
        ((240.0, 34_000.0), "not known"),
    ):
        one = replace(leak(None, 3.0), since_s=bracket)
        assert told in outcome_of(record_of(), SURE.leak, [one], [])[1]


def test_what_would_help_depends_on_what_was_in_the_way():
    belief = Posterior(1.0, 0.0, (), 0.1, SURE.leak)
    assert doubts(belief=belief)[0].endswith(": do a blank run or soak longer")
    assert doubts(belief=belief, blank_scale=1.0)[0].endswith(": soak longer")
    (gap,) = doubts(belief=belief, longest_gap_s=1860.0)
    assert gap.startswith("nothing was weighed for 31 min")
    assert "weighed" not in doubts(belief=belief, longest_gap_s=1740.0)[0]


def test_the_weightiest_doubt_is_the_reason():
    record = record_of(blind_s=SOAK_S, excess=9.0)
    doubts = doubts_of(record, SURE, [Fault(0.0, "bottle_empty", "")], 1)
    assert [text.split()[0] for text in doubts] == ["the", "the", "there", "the"]
    assert outcome_of(record, SURE.leak, [], doubts) == (Outcome.NOT_PROVEN, doubts[0])


def test_tight_is_said_with_its_bound_rounded_up():
    outcome, reason = outcome_of(record_of(), Band(0.0, 0.0, 1.241 / 24), [], [])
    assert outcome == Outcome.TIGHT
    assert "above 1.3 g/day is ruled out" in reason


def leak(carb: int | None, g_per_day: float, until_s: float | None = None) -> LocatedLeak:
    rate = Band(*(g_per_day / 24 * times for times in (1.0, 0.5, 2.0)))
    return LocatedLeak(carb, 0.0, rate, False, until_s=until_s, since_s=(0.0, 5400.0), fed_h=10.0)


def test_a_leak_outweighs_every_doubt_and_the_worst_is_told_first():
    outcome, reason = outcome_of(
        record_of(), SURE.leak, [leak(None, 3.0), leak(2, 12.0)], ["a doubt"]
    )
    assert outcome == Outcome.LEAKING
    assert reason.index("carb 2, about 12 g/day") < reason.index("no gate sees, about 3 g/day")
    assert "begun before 1:30 h after the start" in reason


def test_one_that_stopped_is_told_by_its_grams_and_end():
    _, reason = outcome_of(record_of(), SURE.leak, [leak(1, 24.0, until_s=7200.0)], [])
    assert reason.startswith("carb 1 leaked about 2 g")
    assert "ended about 2:00 h after the start" in reason
    # Of several each is.
    _, both = outcome_of(record_of(), SURE.leak, [leak(1, 24.0, 7200.0), leak(3, 48.0)], [])
    assert "carb 1, about 2 g" in both
    assert "carb 3, about 48 g/day" in both


@pytest.mark.parametrize("measured", [True, False])
def test_what_went_in_late_may_have_leaked_unless_a_bowl_is_known_to_have_been_missing(measured):
    late = [LateFill(21_000.0, 24_240.0, 36.0)]
    found = doubts(late=late, bowls_measured=measured)
    assert bool(found) is not measured
    assert all("36 g more left the bottle until 6:44 h" in doubt for doubt in found)
