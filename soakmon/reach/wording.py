"""What messages say: what, which carb, how much, since when, what the bench did, what to do.

Each function gives a title and a body.
"""

from __future__ import annotations

from typing import Any

from soakmon.report.clock import Clock
from soakmon.report.words import CAUSES, HEADINGS, grams
from soakmon.watch.figures import rate
from soakmon.watch.verdict import Cause, Outcome

_TITLES = {
    "flood": "FLOOD",
    "weep": "Weep",
    "starved": "No fuel flow",
    "bench": "Bench trouble",
}
_TO_DO = {
    "flood": "Go and look now. Shut the tap at the bottle, air the room, keep flames and switches "
    "away, mop up what has run out. Then acknowledge, or this message comes again.",
    "weep": "Look at the tray under it and shut the tap at the bottle. The decay is watched, for "
    "the cause; acknowledge when you have seen it.",
    "starved": "Open the tap at the bottle or bleed the hose, then begin again.",
    "bench": "Look at the bench before you trust this soak; soakmon status says more.",
}
_NAMES = {
    "cell_trouble": "load cell",
    "journal_trouble": "journal",
    "guard_trouble": "service",
    "vapour_alarm": "vapour detector",
}
_AFTER = {
    Outcome.TIGHT: "Shut the tap, drain the rack into a can, and refit it.",
    Outcome.LEAKING: "Shut the tap, drain the rack, mend what is named, and soak again.",
    Outcome.NOT_PROVEN: "Shut the tap; change what the reason names, and soak again.",
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
    where = f"carb {alarm['carb']}" if alarm["carb"] else "carb not known"
    much = "rate not known yet"
    if alarm["leak_g_per_h"] is not None:
        much = f"about {rate(alarm['leak_g_per_h'])}"
    title = f"{_TITLES.get(alarm['kind'], alarm['kind'])}, {where}: {bench}"
    if alarm["kind"] in {"starved", "bench"}:
        title = f"{_TITLES[alarm['kind']]}: {bench}"
        much = ""
    if not valve:
        did = "This bench has no valve: the tap is as you left it."
    elif shut_at is None:
        did = "The feed is STILL OPEN."
    else:
        did = f"The bench has shut the feed at {shut_at}." if shut_at else "The feed is shut."
    lines = [
        "Not acknowledged yet." if reminder else "",
        alarm["text"],
        f"Where: {where}; {much}" if much else "",
        f"Since: noticed at {noticed}",
        did,
        _TO_DO.get(alarm["kind"], ""),
    ]
    return title, _body(lines, link)


def trouble(name: str, text: str, since: str, bench: str, link: str) -> Text:
    """Lasting trouble of the bench."""
    told = "in alarm, or its wire is off" if name == "vapour_alarm" else text
    lines = [f"{_NAMES[name]}: {told}", f"Since: {since}"]
    if name == "vapour_alarm":
        lines.append("The bench keeps the feed shut. Air the room before you go in.")
    else:
        lines.append("The soak goes on while it can; look at the bench.")
    return f"Trouble with the {_NAMES[name]}: {bench}", _body(lines, link)


def well_again(name: str, bench: str, link: str) -> Text:
    """The trouble is over."""
    return f"{_NAMES[name].capitalize()} well again: {bench}", _body(["Nothing to do."], link)


def dry(when: str, bench: str, link: str) -> Text:
    """The bottle will not last."""
    line = f"The bottle will be empty at {when}, before the soak ends. Refill it before then."
    return f"The bottle runs dry: {bench}", _body([line], link)


def begin(title: str, bench: str, link: str) -> Text:
    """A soak begins: also shows that messages arrive."""
    lines = ["The preflight runs; then the feed opens.", "Alarms will be sent to this address."]
    return f"A soak begins, {title or 'no title'}: {bench}", _body(lines, link)


def result(
    verdict: dict[str, Any],
    title: str,
    bench: str,
    link: str,
    *,
    valve: bool,
    clock: Clock | None = None,
) -> Text:
    """The verdict of a soak; clock: the shop's."""
    outcome = Outcome(verdict["verdict"])
    clock = clock or Clock()
    lines = [clock.said(verdict["reason"])]
    if clock.began is not None and verdict.get("duration_s"):
        lines.append(f"Watched for {clock.span(verdict['duration_s'])}")
    lost, expected = verdict.get("observed_loss_g"), verdict.get("expected_evaporation_g")
    if lost is not None and expected:
        low, high = expected["low"], expected["high"]
        lines.append(
            f"Lost since the soak's clock started: {grams(lost)}; evaporation alone explains "
            f"{grams(low)} to {grams(high)}"
        )
    leak = verdict.get("leak_g_per_h") or {}
    if outcome is Outcome.LEAKING and leak.get("best") is not None:
        lines.append(f"Leak: {rate(leak['best'])}")
    first = next(iter(verdict.get("suspects", [])), None)
    if outcome is Outcome.LEAKING and first is not None:
        where = f"carb {first['carb']}: " if first["carb"] else ""
        lines.append(f"Most likely: {where}{CAUSES[Cause(first['cause'])]}")
    lines.append(f"{'The feed is shut. ' if valve else ''}{_AFTER[outcome]}")
    return f"{HEADINGS[outcome]}: {title or bench}", _body(lines, link)


def trials(bench: str, link: str, *, valve: bool, now: str) -> list[tuple[Text, bool]]:
    """One message of each kind, and whether it is urgent: what `soakmon alert test` sends."""
    leak = {"carb": 2, "leak_g_per_h": 1.4}

    def told_of(kind: str, text: str) -> Text:
        found = leak | {"kind": kind, "text": text}
        return alarm(found, bench, noticed=now, shut_at=now, reminder=False, valve=valve, link=link)

    verdict = {"verdict": "tight", "reason": "invented: no leak was found"}
    told = (
        (told_of("flood", "invented: drops in a row"), True),
        (told_of("weep", "invented: slow drops"), True),
        (trouble("cell_trouble", "invented: no reading", now, bench, link), True),
        (result(verdict, "invented rack", bench, link, valve=valve), False),
    )
    test = "This is a test: nothing has happened."
    return [((f"TEST: {title}", f"{test}\n{text}"), urgent) for (title, text), urgent in told]


def _body(lines: list[str], link: str) -> str:
    return "\n".join(line for line in [*lines, link] if line)
