"""Sentences of the bench in another language.

The bench speaks and keeps English: verdicts, alarms and events are read by machines, by other
benches and by later versions. Where a person reads, a sentence is found again among the texts of
the catalogue, with what was filled in, and said in the person's language. What is not found there
(a customer's name, a note) stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache, lru_cache

from soakmon.texts.catalogue import ENGLISH, texts

_PLACE = re.compile(r"\{(\w*)\}")
# A number, a time or a size: 8.4, 22:10 CET, 2026-11-27, 12 mm.
_NUMBER = re.compile(
    r"[−+±-]?\d[\d.,:/ -]*(?:[A-Zµ°%²]{1,5}|min|g|ml|mm|s|h|ms|kPa|g/min)?(?: \(\d+:\d\d h\))?"
)
_POINT = re.compile(r"(?<![\w.])([−+±-]?\d+)\.(\d+)(?![\w.]*[.:]\d)")
# Texts are put together with these; outermost first.
_JOINTS = (". ", "; ", " – ", ": ", ", ", " and ", " to ", "  ")
_JOINING = {" and ": "joint.and", " to ": "joint.to"}
_EDGES = " ;:,.–()"
# A text of fewer letters is only found where all that was filled in is a number, or found itself.
_TELLING = 10
_LONGEST = 2000
# Of a list with more parts each is said by itself: all ways to cut it are too many.
_MANY_PARTS = 12
_COMMA = frozenset({"de"})


class _Pattern:
    """A text of the catalogue as it is found again: in English, and in another language."""

    def __init__(self, english: str, other: str) -> None:
        parts = _PLACE.split(english)
        self.names = parts[1::2]
        self.longest = max(parts[::2], key=len)
        self.letters = sum(letter.isalpha() for letter in "".join(parts[::2]))
        # What was filled in twice under one name is looked for once.
        seen: set[str] = set()
        pattern = ""
        for place, part in enumerate(parts):
            if place % 2 == 0:
                pattern += re.escape(part)
            else:
                pattern += f"(?P=_{part})" if part in seen else f"(?P<_{part}>.*?)"
                seen.add(part)
        self.regex = re.compile(pattern, re.DOTALL)
        self.other = other

    def filled_in(self, text: str) -> dict[str, str] | None:
        """What was filled in, by name; None when it is another text."""
        if self.longest not in text:  # a hundred times as fast as to find out by the expression
            return None
        match = self.regex.fullmatch(text)
        return None if match is None else {name: match[f"_{name}"] for name in self.names}

    def in_language(self, values: dict[str, str]) -> str:
        """The text in the other language, with what is filled in."""
        return _PLACE.sub(lambda place: values[place[1]], self.other)


@cache
def _known(language: str) -> tuple[dict[str, str], tuple[_Pattern, ...]]:
    """Whole texts, and those with something to fill in, what says most first."""
    whole: dict[str, str] = {}
    patterns = []
    other = texts(language)
    for key, english in texts().items():
        if "." not in key:
            continue  # of the page alone
        for ours, its in _with_edges(english, other[key]):
            if _PLACE.search(ours):
                patterns.append(_Pattern(ours, its))
            else:
                whole.setdefault(ours, its)
    patterns.sort(key=lambda pattern: -pattern.letters)
    return whole, tuple(patterns)


def _with_edges(english: str, other: str) -> Iterable[tuple[str, str]]:
    """As it is, without the punctuation that joins it to others, and as a sentence begins."""
    pairs = [(english, other), (english.strip(_EDGES), other.strip(_EDGES))]
    for ours, its in pairs:
        yield ours, its
        if ours[:1].islower():
            yield ours[:1].upper() + ours[1:], its[:1].upper() + its[1:]


def translated(text: str, language: str) -> str:
    """A sentence of the bench in a language; what is not known stays as it is."""
    if language == ENGLISH or not text or len(text) > _LONGEST:
        return text
    return "\n".join(_translated_line(line, language) for line in text.split("\n"))


@lru_cache(maxsize=2000)
def _translated_line(text: str, language: str) -> str:
    """Said in the language as far as it is known."""
    whole = _translated_whole(text, language)
    if whole is not None:
        return whole
    # A text that says much may hold what somebody wrote.
    for pattern in _known(language)[1]:
        if pattern.letters < _TELLING:
            break
        values = pattern.filled_in(text)
        if values is not None:
            values_said = {
                name: _translated_line(value, language) for name, value in values.items()
            }
            return _numbers(pattern.in_language(values_said), language)
    for joint in _JOINTS:
        parts = text.split(joint)
        if len(parts) > _MANY_PARTS:
            each = [_translated_line(part, language) for part in parts]
            if each != parts:
                return _joining(joint, language).join(each)
            continue
        for cut in range(len(parts) - 1, 0, -1):
            first, rest = joint.join(parts[:cut]), joint.join(parts[cut:])
            said_first, said_rest = (
                _translated_line(first, language),
                _translated_line(rest, language),
            )
            if (said_first, said_rest) != (first, rest):
                return _joining(joint, language).join((said_first, said_rest))
    return text


@lru_cache(maxsize=5000)
def _translated_whole(text: str, language: str) -> str | None:
    """Said in the language, when all of it is known."""
    if not text or _NUMBER.fullmatch(text):
        return _numbers(text, language)
    whole, patterns = _known(language)
    if text in whole:
        return whole[text]
    for pattern in patterns:
        values = pattern.filled_in(text)
        if values is not None:
            values_said = {
                name: _translated_whole(value, language) for name, value in values.items()
            }
            sure = {name: value for name, value in values_said.items() if value is not None}
            if len(sure) == len(values_said):
                return _numbers(pattern.in_language(sure), language)
    for joint in _JOINTS:
        parts = text.split(joint)
        if len(parts) > _MANY_PARTS:
            each = [_translated_whole(part, language) for part in parts]
            known = [translated for translated in each if translated is not None]
            if len(known) == len(parts):
                return _joining(joint, language).join(known)
            continue
        for cut in range(len(parts) - 1, 0, -1):
            first = _translated_whole(joint.join(parts[:cut]), language)
            rest = None if first is None else _translated_whole(joint.join(parts[cut:]), language)
            if first is not None and rest is not None:
                return _joining(joint, language).join((first, rest))
    bare = _translated_whole(text[:-1], language) if text.endswith(".") else None
    return None if bare is None else f"{bare}."


def _joining(joint: str, language: str) -> str:
    key = _JOINING.get(joint)
    return f" {texts(language)[key]} " if key else joint


def _numbers(text: str, language: str) -> str:
    """Numbers with the language's decimal sign."""
    return _POINT.sub(r"\1,\2", text) if language in _COMMA else text
