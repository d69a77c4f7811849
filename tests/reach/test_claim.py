"""Two benches at once with one name or one identity: one keeps still, and both are told."""

from __future__ import annotations

import json
from contextlib import AsyncExitStack
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.reach.claim import Claim
from soakmon.reach.topics import Topics
from tests.reach.bench import until
from tests.reach.test_mqtt import health, outlet_of, running

OWN = "0123456789ab"


class Talk:
    """Claims that hear each other, in order, on one clock."""

    def __init__(self, *topics: Topics) -> None:
        self.now_s = 1000.0
        self.claims = [Claim(one, lambda: self.now_s, lambda: 1.8e9) for one in topics]

    def ask(self, claim: Claim) -> None:
        self.pass_on(claim, claim.questions())

    def pass_on(self, sender: Claim, messages) -> None:
        for message in messages:
            for other in self.claims:
                if message.topic in other.places:
                    answer = other.take(message.topic, message.payload.encode())
                    if answer is not None:
                        self.pass_on(other, [answer])


def named(run: str, name: str = "left", bench_id: str = "", shop: str = "") -> Topics:
    return Topics("soakmon", name, bench_id, run, shop)


def test_who_is_there_keeps_the_name_and_the_other_gets_it_when_it_has_gone():
    talk = Talk(named("b"), named("a"))
    first, second = talk.claims
    first.speaks()
    talk.ask(first)
    assert first.refusal == ""
    talk.ask(second)
    assert "another bench on the broker calls itself left" in second.refusal
    assert "keeps still" in second.refusal
    assert "calls itself left" in first.rival
    assert (first.refusal, first.held, second.held) == ("", True, False)
    for _ in range(4):
        talk.now_s += 10.0
        talk.ask(second)
        assert second.refusal
    talk.claims.remove(first)
    talk.now_s += 31.0
    talk.ask(second)
    assert second.refusal == ""
    talk.now_s += 600.0
    assert first.rival == second.rival == ""


def test_a_copied_card_is_found_under_another_name():
    talk = Talk(named("a", "left", OWN), named("b", "right", OWN, "north"))
    first, second = talk.claims
    first.speaks()
    talk.ask(second)
    assert "the bench left has this one's identity" in second.refusal
    assert "the bench north/right has this one's identity" in first.rival


@pytest.mark.parametrize(
    "other", [named("b", "right", "ba9876543210"), named("b", shop="north"), named("b", "right")]
)
def test_other_names_shops_and_identities_are_no_clash(other):
    talk = Talk(named("a", "left", OWN), other)
    for claim in talk.claims:
        talk.ask(claim)
    assert [(claim.refusal, claim.rival) for claim in talk.claims] == [("", "")] * 2


def test_a_run_that_comes_back_is_not_its_own_rival():
    talk = Talk(named("a", bench_id=OWN))
    for _ in range(3):
        talk.ask(talk.claims[0])
    assert talk.claims[0].refusal == talk.claims[0].rival == ""


@given(
    st.permutations([0, 1, 2]),
    st.lists(st.booleans(), min_size=3, max_size=3),
    st.permutations(["a", "b", "c"]),
)
def test_of_those_that_ask_at_once_exactly_one_speaks(order, held, runs):
    """Whatever they held before, as after a broker that was two for a while."""
    talk = Talk(*(named(run, bench_id=OWN) for run in runs))
    for claim, was in zip(talk.claims, held, strict=True):
        claim.held = was
    for number in order:
        talk.ask(talk.claims[number])
    speaking = [claim for claim in talk.claims if not claim.refusal]
    assert len(speaking) == 1
    assert speaking[0].held or not any(held)


@given(st.binary(max_size=60) | st.recursive(
    st.none() | st.booleans() | st.text(max_size=5), lambda part: st.dictionaries(
        st.sampled_from(["run", "asks", "to", "bench", "held"]), part, max_size=5)
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_nonsense_refuses_nobody(payload):
    talk = Talk(named("run of a bench", bench_id=OWN))
    (claim,) = talk.claims
    for place in [*claim.places, "soakmon/left/state"]:
        claim.take(place, payload)
    assert claim.refusal == ""


def two(folder, broker, names=("bench", "bench"), *, one_identity=False):
    """Two benches, the second with an alarm to tell."""
    outlets = []
    for number, name in enumerate(names):
        own = folder / str(number)
        own.mkdir()
        if one_identity:
            (own / "bench_id").write_text(f"{OWN}\n")
        outlets.append(outlet_of(own, broker.port, named={"name": name}))
        outlets[-1].asks_every_s = 0.1
    outlets[1].service.start()
    outlets[1].service.alarm(text="of the second")
    return outlets


async def test_the_second_of_a_name_keeps_still_until_the_first_has_gone(broker, ear, tmp_path):
    first, second = two(tmp_path, broker)
    now_s = [1000.0]
    second.claim.now_s = lambda: now_s[0]
    async with AsyncExitStack() as stack:
        async with running(first):
            await until(lambda: health(first).state == "up")
            await stack.enter_async_context(running(second))
            for outlet in (first, second):
                await until(lambda outlet=outlet: "calls itself bench" in health(outlet).last_error)
                assert health(outlet).state == "down"
            assert "this one keeps still" in health(second).last_error
            beats = len(ear.on("soakmon/bench/state"))
            await until(lambda: len(ear.on("soakmon/bench/state")) > beats + 1)
            for topic in ("state", "availability", "phase"):
                told = ear.on(f"soakmon/bench/{topic}")
                assert {one.get("run", first.topics.run) for one in told} == {first.topics.run}
            assert ear.on("soakmon/bench/alarms") == []
            assert first.connections == second.connections == 1
        now_s[0] += 31.0
        await until(lambda: health(second).lag == 0 and ear.on("soakmon/bench/alarms"))
        await until(lambda: ear.on("soakmon/bench/state")[-1]["run"] == second.topics.run)
        assert second.connections == 1
    first.claim.heard = replace(first.claim.heard, at_s=first.claim.heard.at_s - 601)
    assert first.claim.rival == ""


async def test_a_refused_bench_that_leaves_does_not_call_the_other_offline(broker, ear, tmp_path):
    first, second = two(tmp_path, broker)
    async with running(first):
        await until(lambda: health(first).state == "up")
        async with running(second):
            await until(lambda: second.claim.refusal)
        beats = len(ear.on("soakmon/bench/state"))
        await until(lambda: len(ear.on("soakmon/bench/state")) > beats)
        assert [one["state"] for one in ear.on("soakmon/bench/availability")] == ["online"]


async def test_a_copied_card_is_refused_under_another_name(broker, ear, tmp_path):
    first, second = two(tmp_path, broker, ("left", "right"), one_identity=True)
    async with running(first):
        await until(lambda: health(first).state == "up")
        async with running(second):
            await until(lambda: "bench left has this one's" in health(second).last_error)
            await until(lambda: "bench right has this one's" in health(first).last_error)
            assert ear.on("soakmon/right/state") == []


async def test_benches_of_a_shop_have_topics_of_their_own(broker, ear, tmp_path):
    outlet = outlet_of(
        tmp_path, broker.port, discovery=True, commands=True,
        named={"name": "left", "shop": "north"},
    )  # fmt: skip
    outlet.service.start()
    outlet.service.alarm()
    async with running(outlet):
        await until(lambda: ear.on("soakmon/north/left/alarms"))
        assert health(outlet).state == "up"
    own = (tmp_path / "bench_id").read_text().strip()
    for name in ("availability", "state", "phase", "alarms"):
        assert ear.on(f"soakmon/north/left/{name}")[0]["bench_id"] == own, name
    found = [(topic, told) for topic, _, told in ear.heard() if topic.startswith("homeassistant/")]
    assert found
    assert {told["device"]["identifiers"][0] for _, told in found} == {"soakmon-north_left"}
