"""What a verdict says of a feed that the bench itself has shut, or never opened.

The decider judges readings; that the bench failed, or that its guard stepped in, it cannot know.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from soakmon.records.events import FeedChange, PhaseChange, contents
from soakmon.records.journal import Event
from soakmon.texts import say
from soakmon.watch.figures import after_start
from soakmon.watch.phase import Phase
from soakmon.watch.verdict import Alarm, Outcome, Verdict

# Code of the alarm with which a soak ends that never got fuel.
NO_FLOW = "no_flow"


def with_bench(
    verdict: Verdict, alarms: Iterable[Alarm], shut_for: Collection[str], unopened: str = ""
) -> Verdict:
    """The verdict with those of the bench's own alarms for which the feed was shut.

    shut_for: the reasons for which the bench shut the feed; unopened: why it was never opened.
    """
    alarms = list(alarms)
    dry = next((a for a in alarms if a.code == NO_FLOW), None)
    if dry is not None and verdict.outcome is Outcome.NOT_PROVEN:
        # Why it ended is why nothing is proven: soaking longer would not help.
        return replace(verdict, reason=dry.text, alarms=(*verdict.alarms, dry))
    own = sorted((a for a in alarms if a.code and a.text in shut_for), key=lambda a: a.t_s)
    if own:
        verdict = replace(
            verdict, alarms=tuple(sorted([*verdict.alarms, *own], key=lambda a: a.t_s))
        )
    if verdict.outcome is Outcome.LEAKING or not (own or unopened):
        return verdict
    if not own:
        text = say("shut.feed_was_not_opened", unopened=unopened)
        return replace(verdict, outcome=Outcome.NOT_PROVEN, reason=text)
    text = say("shut.bench_shut_feed", t_s=after_start(own[0].t_s), own=own[0].text)
    floods = any(alarm.leaks for alarm in own)
    if verdict.outcome is Outcome.TIGHT and not floods:
        return replace(verdict, reason=f"{verdict.reason}; {text}")
    # What the guard calls a flood is not explained away by a loss that looks right otherwise.
    return replace(verdict, outcome=Outcome.NOT_PROVEN, reason=text)


def with_events(verdict: Verdict, events: Iterable[Event]) -> Verdict:
    """The same, from what the journal holds of a soak."""
    alarms, shut_for, opened, ended = [], set(), False, ""
    for _, held in contents(events):
        match held:
            case Alarm():
                alarms.append(held)
            case FeedChange(open=True):
                opened = True
            case FeedChange(itself=True):
                shut_for.add(held.reason)
            case PhaseChange(phase=Phase.ENDED):
                ended = held.reason
    return with_bench(verdict, alarms, shut_for, "" if opened else ended)
