"""One message of each kind to every address, to see that they arrive."""

from __future__ import annotations

import time
from collections import Counter

from soakmon.config import Bench
from soakmon.reach.delivery_queue import DeliveryQueue
from soakmon.reach.phone import targets_of
from soakmon.reach.phone_outlet import policy_of
from soakmon.reach.rules import Notification
from soakmon.reach.wording import trials
from soakmon.texts import translated as in_language


def send_trials(bench: Bench, within_s: float) -> tuple[int, dict[str, str]]:
    """How many messages each address was sent, and by its name why they did not go out, or ""."""
    name, valve = bench.service.name, bench.valve.driver != "none"
    language = bench.service.language
    policy = policy_of(bench.phone, name, valve=valve, language=language)
    told = trials(name, policy.link, valve=valve, now=policy.clock(time.time()))
    post = DeliveryQueue(targets_of(bench.phone), [])
    for number, (texts, urgent) in enumerate(told):
        title, body = (in_language(text, language) for text in texts)
        post.add(Notification(f"test/{number}", title, body, urgent, second=True), time.time())
    post.round(within_s)
    waiting = Counter(letter.target for letter in post.letters)
    return len(told), {
        name: (line.failed or f"{name}: no answer within {within_s:.0f} s") if waiting[name] else ""
        for name, line in post.lines.items()
    }
