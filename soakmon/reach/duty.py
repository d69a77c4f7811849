"""What a lookout sends, holds for the one that leads, or drops; many of a kind are one message.

Pure: values in, messages out; times are monotonic, s. A key (`silent/left`) is told when a message
about it has gone out, and over when the message that it is over has.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from soakmon.bench_address import parts_of
from soakmon.reach.rules import Notification
from soakmon.texts import say

_OWN = ("broker", "flapping")  # about this lookout's own wire: no other can tell
# Three are many. Nobody reads hundreds of names, and so many are a power cut: then shops are named.
_MANY, _MOST_NAMED = 3, 300
# What a push service takes whole, and what is still said in the reader's language (`texts`).
_MOST_CHARS = 1500
_GATHERED = ("silent", "unheard")


@dataclass(slots=True)
class _Held:
    """A message that waits, and since when."""

    note: Notification
    since_s: float


class Duty:
    """Of one lookout; gather_s: how long messages of a kind are gathered, lead_s: see `leader`."""

    def __init__(self, gather_s: float, lead_s: float) -> None:
        self.gather_s, self.lead_s = gather_s, lead_s
        self.held: list[_Held] = []
        # What is in the messages on their way: keys, each with whether it is a beginning.
        self.sending: dict[str, dict[str, bool]] = {}
        self.numbers = itertools.count(1)

    def take(self, notes: Iterable[Notification], now_s: float) -> None:
        """What `silence.Silence` wants told."""
        self.held += [_Held(note, now_s) for note in notes]

    def heard(self, sent_keys: Collection[str]) -> None:
        """The lookout that leads has told of these keys, and of no others."""
        self.held = [
            held_note
            for held_note in self.held
            if _own(held_note.note)
            or (held_note.note.key in sent_keys) is not held_note.note.urgent
        ]

    def known(self, keys: Collection[str]) -> None:
        """Another lookout has told of these beginnings in our place."""
        self.held = [o for o in self.held if not (o.note.urgent and o.note.key in keys)]

    def due(self, now_s: float, *, leads: bool, led: bool) -> list[Notification]:
        """What is sent now. leads: this lookout does; led: it did when the broker was lost."""
        ready = [self._ready(held_note, now_s, leads=leads, led=led) for held_note in self.held]
        kinds = {
            _kind(held_note.note) for held_note, now in zip(self.held, ready, strict=True) if now
        }
        # Those of a kind that came after the first go with it.
        going: list[_Held] = []
        staying: list[_Held] = []
        for held_note, now in zip(self.held, ready, strict=True):
            goes = now or (leads and not _own(held_note.note) and _kind(held_note.note) in kinds)
            (going if goes else staying).append(held_note)
        self.held = staying
        sent = list(self._gathered(held_note.note for held_note in going))
        for note, keys in sent:
            self.sending[note.key] = dict.fromkeys(keys, note.urgent)
        return [note for note, _ in sent]

    def _ready(self, held: _Held, now_s: float, *, leads: bool, led: bool) -> bool:
        waited_s = now_s - held.since_s
        if held.note.key == "broker":
            return led or waited_s >= self.lead_s
        if _own(held.note):
            return True
        if leads:
            return _kind(held.note)[0] not in _GATHERED or waited_s >= self.gather_s
        # The one that leads does not see it, or cannot send.
        return waited_s >= 2 * self.lead_s + self.gather_s

    def _gathered(self, notes: Iterable[Notification]) -> Iterator[tuple[Notification, list[str]]]:
        """The messages, many of a kind as few that name all; each with its keys."""
        kinds: dict[tuple[str, bool], list[Notification]] = {}
        for note in notes:
            kinds.setdefault(_kind(note), []).append(note)
        for (kind, urgent), alike in kinds.items():
            if kind not in _GATHERED or len(alike) < _MANY:
                yield from ((note, [note.key]) for note in alike)
                continue
            for keys, names in _pieces(_named([note.key for note in alike])):
                yield self._many(kind, keys, ", ".join(names), urgent=urgent), keys

    def _many(self, kind: str, keys: list[str], names: str, *, urgent: bool) -> Notification:
        how = f"{kind}_{'begun' if urgent else 'over'}"
        title = say(f"duty.title_{how}", count=len(keys))
        text = say(f"duty.body_{how}", names=names)
        return Notification(f"{kind}/many/{next(self.numbers)}", title, text, urgent)

    def delivered(self, waiting: Collection[str]) -> None:
        """Of what was sent only the messages with these keys still wait."""
        self.sending = {key: keys for key, keys in self.sending.items() if key in waiting}

    def sent_keys(self, begun: Collection[str]) -> set[str]:
        """What people know of: of the keys that have begun those that went out, and those whose end
        has not gone out yet.
        """
        known = set(begun)
        under_way = [item for keys in self.sending.values() for item in keys.items()]
        for key, opening in [*under_way, *((one.note.key, one.note.urgent) for one in self.held)]:
            if opening:
                known.discard(key)
            else:
                known.add(key)
        return {key for key in known if key not in _OWN}


def _named(keys: list[str]) -> Iterator[tuple[list[str], str]]:
    """Keys, and how they are named together: by bench, or by shop where they are hundreds."""
    addresses = {key: key.partition("/")[2] for key in sorted(keys)}
    shops: dict[str, list[str]] = {}
    for key, address in addresses.items():
        shops.setdefault(parts_of(address)[0], []).append(key)
    for shop, own in shops.items():
        if shop and len(keys) > _MOST_NAMED and len(own) >= _MANY:
            yield own, say("duty.of_shop", count=len(own), shop=shop)
        else:
            yield from (([key], addresses[key]) for key in own)


def _pieces(named: Iterable[tuple[list[str], str]]) -> Iterator[tuple[list[str], list[str]]]:
    """Keys and names in pieces that fit into a message."""
    keys: list[str] = []
    names: list[str] = []
    for own, name in named:
        if names and sum(map(len, names)) + 2 * len(names) + len(name) > _MOST_CHARS:
            yield keys, names
            keys, names = [], []
        keys, names = keys + own, [*names, name]
    yield keys, names


def _own(note: Notification) -> bool:
    return note.key in _OWN


def _kind(note: Notification) -> tuple[str, bool]:
    return note.key.partition("/")[0], note.urgent
