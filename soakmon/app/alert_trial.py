"""One message of each kind to every address, to see that they arrive."""

from __future__ import annotations

import secrets
import time
from collections import Counter
from collections.abc import Callable

from soakmon.config import Bench
from soakmon.reach.delivery_queue import DeliveryQueue
from soakmon.reach.phone import targets_of
from soakmon.reach.phone_outlet import policy_of
from soakmon.reach.reply import reply_topic, was_heard
from soakmon.reach.rules import Notification
from soakmon.reach.wording import acknowledging, trials
from soakmon.texts import translated as in_language


def new_mark() -> str:
    """A mark for a test message's button, which is no alarm's."""
    return f"test-{secrets.token_hex(6)}"


def send_trials(bench: Bench, within_s: float, mark: str = "") -> tuple[int, dict[str, str]]:
    """How many messages each address was sent, and by its name why they did not go out, or "".

    mark: what the button of the first one writes, where the way to the phone has buttons.
    """
    name, valve = bench.service.address, bench.valve.driver != "none"
    language = bench.service.language
    policy = policy_of(bench.phone, name, valve=valve, language=language)
    messages = trials(name, policy.link, valve=valve, now=policy.clock(time.time()))
    post = DeliveryQueue(targets_of(bench.phone), [])
    for number, (texts, urgent) in enumerate(messages):
        title, body = (in_language(text, language) for text in texts)
        new = Notification(f"test/{number}", title, body, urgent, second=True)
        if mark and number == 0:
            words = {key: in_language(text, language) for key, text in acknowledging().items()}
            new = Notification(f"test/{number}", title, body, urgent, True, mark, **words)
        post.add(new, time.time())
    post.round(within_s)
    waiting = Counter(letter.target for letter in post.letters)
    return len(messages), {
        name: (line.failed or f"{name}: no answer within {within_s:.0f} s") if waiting[name] else ""
        for name, line in post.lines.items()
    }


def can_answer(bench: Bench) -> bool:
    """Whether alarms can be acknowledged from their message, by one address at least."""
    return any(reply_topic(target.address) is not None for target in targets_of(bench.phone))


def was_pressed(
    bench: Bench, mark: str, within_s: float, sleep: Callable[[float], None] = time.sleep
) -> bool:
    """Whether the button of a test message is heard in time."""
    topics = [topic for target in targets_of(bench.phone) if (topic := reply_topic(target.address))]
    return was_heard(topics, mark, within_s, sleep)
