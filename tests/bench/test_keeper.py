"""The feed as it is against what must be, in every phase; a bench that stood still; silence."""

from __future__ import annotations

import math

import pytest

from sim.scenarios import SCENARIOS
from soakmon.bench.stall import Pause, Stalls
from tests.bench.stepping import Stepped, short

SECOND = 1 / 3600


def texts(bench: Stepped) -> list[str]:
    return [e.data["text"] for e in bench.journal.read_events() if e.kind == "alarm"]


def in_phase(folder, phase: str) -> Stepped:
    bench = Stepped(folder, SCENARIOS["dry-rack"], bench=short(8))
    if phase == "idle":
        return bench
    bench.start()
    bench.run(0.01 if phase == "preflight" else 0.06)
    if phase == "isolating":
        bench.service.commands.isolate("by command")
    elif phase == "ended":
        bench.service.commands.end("by command")
    assert bench.session.phase == phase
    return bench


@pytest.fixture
def filling(tmp_path) -> Stepped:
    return in_phase(tmp_path, "filling")


@pytest.mark.parametrize("phase", ["idle", "preflight", "isolating", "ended"])
def test_a_valve_that_opens_by_itself_is_shut_and_told(tmp_path, phase):
    bench = in_phase(tmp_path, phase)
    heard = []
    bench.service.listeners.append(lambda *told: heard.append(told))
    bench.simulation.set_feed(True)
    bench.service.sampling.sample()
    assert not bench.simulation.feed_open
    bench.service.keeper.keep()
    bench.service.worker.drain()
    (alarm,) = [data for _, kind, data in heard if kind == "alarm"]
    assert alarm["code"] == "feed_open"
    assert bench.simulation.buzzer
    assert texts(bench) == ["the feed was found open although it must be shut: close the tap"]
    bench.service.sampling.sample()
    bench.service.keeper.keep()
    bench.service.worker.drain()
    assert len(texts(bench)) == 1
    assert bench.service.commands.acknowledge() == 1


def test_without_samples_the_keeper_alone_shuts_it(tmp_path):
    bench = in_phase(tmp_path, "idle")
    bench.simulation.set_feed(True)
    bench.service.keeper.keep()
    assert not bench.simulation.feed_open


def test_a_feed_that_is_open_in_the_wrong_phase_is_shut_though_it_was_commanded(filling):
    """A fault in the program: no other place may leave it open."""
    filling.session.phase = type(filling.session.phase)("isolating")
    filling.service.keeper.keep()
    assert not filling.simulation.feed_open


def test_a_feed_that_is_found_shut_is_told_and_the_soak_knows(filling):
    filling.simulation.set_feed(False)
    filling.run(5 * SECOND)
    assert texts(filling) == ["the feed was found shut although it was opened"]
    assert filling.session.phase == "isolating"


def test_a_broken_limit_keeps_it_shut_whoever_opens_it(filling):
    filling.simulation.vapour = True
    filling.run(3 * SECOND)
    for _ in range(3):
        filling.simulation.set_feed(True)
        filling.service.sampling.sample()
        assert not filling.simulation.feed_open


# -- standing still --------------------------------------------------------------------------------


def stand_still(bench: Stepped, seconds: float, *, sampler_first: bool = True) -> None:
    bench.clock.sleep(seconds)
    if sampler_first:
        bench.service.sampling.sample()
    bench.service.keeper.keep()
    # At once, whatever the worker does.
    assert not bench.simulation.feed_open
    bench.service.sampling.sample()
    bench.service.worker.drain()


@pytest.mark.parametrize("sampler_first", [True, False])
@pytest.mark.parametrize("hours", [0.0, 0.2])
def test_a_minute_of_standing_still_shuts_says_how_long_and_goes_on_when_all_is_well(
    filling, sampler_first, hours
):
    filling.run(hours)
    before = filling.session.phase
    stand_still(filling, 62.0, sampler_first=sampler_first)
    assert not filling.simulation.feed_open
    assert filling.session.phase == "isolating"
    (text,) = texts(filling)
    assert text.startswith("the bench stood still for 62 s")
    assert filling.service.latch.reason is None
    filling.run(40 * SECOND)
    assert filling.simulation.feed_open
    # A rack that is nearly full may be found full meanwhile.
    assert filling.session.phase in {before, "settling"}
    assert filling.service.latch.reason is None
    assert len(texts(filling)) == 1


def test_standing_still_again_soon_is_no_accident(filling):
    filling.run(0.2)
    stand_still(filling, 62.0)
    filling.run(120 * SECOND)
    assert filling.simulation.feed_open
    stand_still(filling, 62.0)
    filling.run(120 * SECOND)
    assert not filling.simulation.feed_open
    assert "stays shut" in texts(filling)[-1]
    assert filling.service.latch.note.code == "stalled"


def test_fuel_that_ran_out_meanwhile_keeps_it_shut(filling):
    filling.run(0.2)
    filling.simulation.world.bottle_g *= 0.8
    stand_still(filling, 62.0)
    filling.run(60 * SECOND)
    assert not filling.simulation.feed_open
    assert any("ran out meanwhile" in text for text in texts(filling))
    assert filling.service.latch.reason is not None


def test_what_was_on_the_cell_before_is_not_taken_from_after():
    stalls = Stalls()
    for t_s in range(1, 21):
        stalls.take(float(t_s), 300.0)
    # Woken first, the sampler has already handed on a row.
    stalls.take(81.0, 250.0)
    stalls.begin(81.2, 61.0, may_lose_g=1.5)
    assert stalls.pause.before_g == 300.0
    for t_s in range(82, 113):
        stalls.take(float(t_s), 250.0)
    assert stalls.pause.over()
    assert "50.0 g ran out" in stalls.pause.why_not()


def test_who_shuts_the_feed_meanwhile_is_obeyed(filling):
    filling.run(0.2)
    stand_still(filling, 62.0)
    filling.service.commands.isolate("by command")
    filling.run(60 * SECOND)
    assert not filling.simulation.feed_open


def test_a_long_time_of_standing_still_is_not_gone_on_with(filling):
    stand_still(filling, 1900.0)
    filling.run(60 * SECOND)
    assert not filling.simulation.feed_open
    assert filling.service.latch.note.code == "stalled"


def test_standing_still_with_the_feed_shut_is_noted(tmp_path):
    bench = in_phase(tmp_path, "preflight")
    stand_still(bench, 62.0)
    assert texts(bench) == []
    assert "stalled" in bench.kinds()


@pytest.mark.parametrize(
    ("before_g", "masses", "said"),
    [
        (300.0, [299.9] * 20, ""),
        (300.0, [298.0] * 20, ""),
        (300.0, [297.0] * 20, "ran out"),
        (300.0, [297.0] * 9 + [299.9] * 11, ""),
        (300.0, [299.9] * 5, "too few"),
        (math.nan, [299.9] * 20, "too few"),
    ],
)
def test_what_speaks_against_opening_again(before_g, masses, said):
    pause = Pause(100.0, before_g, may_lose_g=1.5)
    for index, mass_g in enumerate(masses):
        pause.take(101.0 + index, mass_g)
    why = pause.why_not()
    assert (said in why) if said else why == ""


def test_it_waits_for_half_a_minute_of_readings_but_not_for_ever():
    pause = Pause(100.0, 300.0, may_lose_g=1.5)
    pause.take(110.0, 300.0)
    assert not pause.over()
    pause.take(219.0, math.nan)
    assert not pause.over()
    pause.take(220.0, math.nan)
    assert pause.over()


# -- silent threads --------------------------------------------------------------------------------


def test_a_silent_worker_does_not_leave_an_old_status_standing(filling):
    service = filling.service
    assert service.status.phase == "filling"
    for _ in range(25):
        filling.clock.sleep(1.0)
        service.sampling.sample()
        service.keeper.keep()
    assert not filling.simulation.feed_open
    status = service.status
    assert status.phase == "isolating"
    assert not status.feed_open
    assert "worker" in status.guard_trouble
    assert [alarm.code for alarm in status.alarms] == ["hung"]
    kept = service.status
    service.keeper.keep()
    assert service.status is kept
    filling.service.worker.drain()
    filling.run(2 * SECOND)
    assert service.status.guard_trouble == ""
    assert service.status.phase == "isolating"


def test_a_silent_keeper_is_noticed_by_who_it_watches(filling):
    service = filling.service
    service.beats.keeper_s = filling.clock.boot_s()
    for _ in range(19):
        filling.clock.sleep(1.0)
        service.sampling.sample()
    assert filling.simulation.feed_open
    for _ in range(5):
        filling.clock.sleep(1.0)
        service.sampling.sample()
    assert not filling.simulation.feed_open
    filling.service.worker.drain()
    assert texts(filling) == ["no sign of life from the keeper"]
    assert filling.session.phase == "isolating"


def test_a_keeper_that_stood_still_with_all_others_is_not_late(filling):
    service = filling.service
    service.beats.keeper_s = filling.clock.boot_s()
    filling.clock.sleep(62.0)
    for _ in range(3):
        filling.clock.sleep(1.0)
        service.sampling.sample()
    assert filling.simulation.feed_open


def test_a_main_loop_that_hangs_is_told_and_missed_by_the_system(filling):
    said = []
    filling.service.alive = lambda: said.append(1)
    filling.service.beats.loop_s = filling.clock.boot_s()
    filling.run(30 / 3600)
    assert 19 <= len(said) <= 21
    assert filling.simulation.feed_open
    (text,) = texts(filling)
    assert "do not answer" in text
    filling.service.beats.loop_s = filling.clock.boot_s()
    filling.run(1 / 3600)
    assert len(said) <= 22
    assert said.pop()


def test_the_keeper_that_wakes_first_does_not_look_late_to_the_sampler(filling):
    """As the threads run: the sampler may look in the middle of the keeper's own look."""
    service = filling.service
    service.beats.keeper_s = filling.clock.boot_s()
    filling.run(10 * SECOND)
    filling.clock.sleep(62.0)
    pause = service.feed.pause

    def meanwhile():
        pause()
        service.feed.pause = pause
        service.sampling.sample()

    service.feed.pause = meanwhile
    service.keeper.keep()
    service.worker.drain()
    (text,) = texts(filling)
    assert "stood still" in text


def test_all_is_well_is_only_said_when_it_is(filling):
    said = []
    filling.service.alive = lambda: said.append(1)
    filling.run(5 * SECOND)
    assert len(said) == 5
    for _ in range(25):
        filling.clock.sleep(1.0)
        filling.service.sampling.sample()
        filling.service.keeper.keep()
    assert len(said) < 27
    said.clear()
    filling.service.keeper.keep()
    assert not said


def test_a_system_that_does_not_listen_is_no_reason_to_stop(filling):
    def failing():
        raise OSError("no such socket")

    filling.service.alive = failing
    filling.run(5 * SECOND)
    assert filling.simulation.feed_open
