"""What messages say: what, which carb, how much, since when, what the bench did, what to do.

Each function gives a title and a body.
"""

from __future__ import annotations

from typing import Any

from soakmon.records.verdict_form import VerdictForm
from soakmon.report.clock import RunClock
from soakmon.report.words import CAUSES, HEADINGS, grams
from soakmon.texts import say
from soakmon.watch.figures import rate
from soakmon.watch.verdict import Outcome

_TITLES = {
    "flood": say("wording.flood"),
    "weep": say("wording.weep"),
    "starved": say("wording.no_fuel_flow"),
    "bench": say("wording.bench_trouble"),
}
_TO_DO = {
    "flood": say("wording.go_look_now_shut_tap"),
    "weep": say("wording.look_tray_under_shut_tap"),
    "starved": say("wording.open_tap_bottle_bleed_hose"),
    "bench": say("wording.look_bench_before_you_trust"),
}
_NAMES = {
    "cell_trouble": say("preflight.load_cell"),
    "journal_trouble": "journal",
    "guard_trouble": "service",
    "vapour_alarm": say("wording.vapour_detector"),
}
_AFTER = {
    Outcome.TIGHT: say("wording.shut_tap_drain_rack_into"),
    Outcome.LEAKING: say("wording.shut_tap_drain_rack_mend"),
    Outcome.NOT_PROVEN: say("wording.shut_tap_change_what_reason"),
}
Text = tuple[str, str]


def alarm(
    alarm: dict[str, Any],
    bench: str,
    *,
    noticed: str,
    shut_at: str | None,
    reminder: bool,
    valve: bool,
    link: str,
) -> Text:
    """An alarm; shut_at: when the feed was shut, empty when it never was open, None if it is open.

    valve: whether the bench has one; a tap worked by hand nobody has shut.
    """
    where = (
        say("reasons.carb", carb=alarm["carb"]) if alarm["carb"] else say("wording.carb_not_known")
    )
    much = say("wording.rate_not_known_yet")
    if alarm["leak_g_per_h"] is not None:
        much = say("verdict.about", leak_g_per_h=rate(alarm["leak_g_per_h"]))
    title = f"{_TITLES.get(alarm['kind'], alarm['kind'])}, {where}: {bench}"
    if alarm["kind"] in {"starved", "bench"}:
        title = f"{_TITLES[alarm['kind']]}: {bench}"
        much = ""
    lines = [
        say("wording.not_acknowledged_yet") if reminder else "",
        alarm["text"],
        say("wording.where", where=where, much=much) if much else "",
        say("wording.since_noticed", noticed=noticed),
        _feed(shut_at, valve=valve),
        _TO_DO.get(alarm["kind"], ""),
    ]
    return title, _body(lines, link)


def _feed(shut_at: str | None, *, valve: bool) -> str:
    """What became of the feed."""
    if not valve:
        return say("wording.this_bench_has_no_valve")
    if shut_at is None:
        return say("wording.feed_still_open")
    return (
        say("wording.bench_has_shut_feed", shut_at=shut_at) if shut_at else say("wording.feed_shut")
    )


def acknowledging() -> dict[str, str]:
    """The label of an alarm's button, and what its message says with one and without."""
    return {
        "button": say("wording.button"),
        "by_button": say("wording.by_button"),
        "elsewhere": say("wording.elsewhere"),
    }


def trouble(name: str, text: str, since: str, bench: str, link: str) -> Text:
    """Lasting trouble of the bench."""
    what = say("wording.alarm_its_wire_off") if name == "vapour_alarm" else text
    lines = [f"{_NAMES[name]}: {what}", say("wording.since", since=since)]
    if name == "vapour_alarm":
        lines.append(say("wording.bench_keeps_feed_shut_air"))
    else:
        lines.append(say("wording.soak_goes_on_while_can"))
    return say("wording.trouble", name=_NAMES[name], bench=bench), _body(lines, link)


def well_again(name: str, bench: str, link: str) -> Text:
    """The trouble is over."""
    return say("wording.well_again", capitalize=_NAMES[name].capitalize(), bench=bench), _body(
        [say("wording.nothing_do")], link
    )


def dry(when: str, bench: str, link: str) -> Text:
    """The bottle will not last."""
    line = say("wording.bottle_will_empty_before_soak", when=when)
    return say("wording.bottle_runs_dry", bench=bench), _body([line], link)


def begin(title: str, bench: str, link: str) -> Text:
    """A soak begins: also shows that messages arrive."""
    lines = [
        say("wording.preflight_runs_then_feed_opens"),
        say("wording.alarms_will_sent_this_address"),
    ]
    return say("wording.soak_begins", title=title or "no title", bench=bench), _body(lines, link)


def result(
    verdict: VerdictForm,
    title: str,
    bench: str,
    link: str,
    *,
    valve: bool,
    clock: RunClock | None = None,
) -> Text:
    """The verdict of a soak; clock: the shop's."""
    outcome = verdict.verdict
    clock = clock or RunClock()
    lines = [clock.with_hours(verdict.reason)]
    if clock.began is not None and verdict.duration_s:
        lines.append(say("wording.watched", duration_s=clock.span(verdict.duration_s)))
    lines += [*_loss(verdict), *_leak(verdict)]
    shut = f"{say('wording.feed_shut')} " if valve else ""
    lines.append(shut + _AFTER[outcome])
    return say("wording.result", heading=HEADINGS[outcome], title=title or bench), _body(
        lines, link
    )


def _loss(verdict: VerdictForm) -> list[str]:
    lost, expected = verdict.observed_loss_g, verdict.expected_evaporation_g
    if lost is None or expected.low is None or expected.high is None:
        return []
    low, high = grams(expected.low), grams(expected.high)
    return [say("wording.lost_since_soak_s_clock", lost=grams(lost), low=low, high=high)]


def _leak(verdict: VerdictForm) -> list[str]:
    """How much leaks, and what is likeliest behind it."""
    if verdict.verdict is not Outcome.LEAKING:
        return []
    lines = []
    if verdict.leak_g_per_h.best is not None:
        lines.append(say("wording.leak", leak=rate(verdict.leak_g_per_h.best)))
    if verdict.suspects:
        first = verdict.suspects[0]
        cause = CAUSES[first.cause]
        if first.carb:
            cause = say("words.carb_with", carb=first.carb, cause=cause)
        lines.append(say("wording.most_likely", cause=cause))
    return lines


def trials(bench: str, link: str, *, valve: bool, now: str) -> list[tuple[Text, bool]]:
    """One message of each kind, and whether it is urgent: what `soakmon alert test` sends."""
    leak = {"carb": 2, "leak_g_per_h": 1.4}

    def message_of(kind: str, text: str) -> Text:
        event = leak | {"kind": kind, "text": text}
        return alarm(event, bench, noticed=now, shut_at=now, reminder=False, valve=valve, link=link)

    verdict = VerdictForm(verdict=Outcome.TIGHT, reason=say("wording.invented_no_leak"))
    messages = (
        (message_of("flood", say("wording.invented_drops")), True),
        (message_of("weep", say("wording.invented_slow")), True),
        (trouble("cell_trouble", say("wording.invented_no_reading"), now, bench, link), True),
        (result(verdict, "invented rack", bench, link, valve=valve), False),
    )
    test = say("wording.this_test_nothing_has_happened")
    return [
        ((say("wording.test", title=title), f"{test}\n{text}"), urgent)
        for (title, text), urgent in messages
    ]


def _body(lines: list[str], link: str) -> str:
    return "\n".join(line for line in [*lines, link] if line)
