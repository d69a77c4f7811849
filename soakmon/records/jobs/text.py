"""What may be written down: text that is inert wherever it is shown.

Control characters steer terminals, and direction marks make text read as what it is not; both are
refused when something is written down, and shown as their code where they come from elsewhere.
Letters of every script, right-to-left ones too, are as welcome as any.
"""

from __future__ import annotations

import re
import unicodedata

from soakmon.errors import InputError
from soakmon.texts import say

# YEAR-NNNN, and more digits where a year has more jobs: as many as the counter holds.
NUMBER_PATTERN = r"^\d{4}-\d{4,9}$"
MOST_LINE, MOST_TEXT, MOST_NAME = 500, 20_000, 200
# Overrides, embeddings and isolates of the direction of writing.
_DIRECTION = {*range(0x202A, 0x202F), *range(0x2066, 0x206A)}


def _steers(letter: str) -> bool:
    return unicodedata.category(letter) in {"Cc", "Cs"} or ord(letter) in _DIRECTION


def inert(text: str, *, lines: bool = False) -> str:
    """Text with steering characters as their code, ‹U+001B›. lines: line breaks and tabs stay."""
    allowed = "\n\t" if lines else ""
    return "".join(
        f"‹U+{ord(letter):04X}›" if _steers(letter) and letter not in allowed else letter
        for letter in text
    )


def spoken_line(text: str, most: int = MOST_LINE) -> str:
    """What somebody says with a command, on one line and inert.

    Cleaned, not refused: a command that makes the bench safer must not fail for its words.
    """
    line = inert(" ".join(text.split()))
    return line if len(line) <= most else line[: most - 1] + "…"


def file_name(name: str) -> str:
    """The name of a file that came from elsewhere: no path, nothing that steers, never empty.

    Its ending stays: it says to a person what the file is, and to no program of ours.
    """
    last = re.split(r"[/\\]", name)[-1]
    # What breaks a line parts words; the rest of what steers is shown as its code.
    plain = inert(" ".join(last.split())).strip(" .")
    return plain[-MOST_NAME:] or "file"


def clean_line(text: str, what: str, most: int = MOST_LINE) -> str:
    """A name on one line. Raises InputError for what is not."""
    text = text.strip()
    if len(text.splitlines()) > 1:
        raise InputError(say("text.write_on_one_line", what=what))
    return _clean(text, what, most)


def clean_text(text: str, what: str, most: int = MOST_TEXT) -> str:
    """Free text of any lines. Raises InputError for what steers, or is longer than a text is."""
    return _clean(text.strip().replace("\r\n", "\n"), what, most, allowed="\n\t")


def _clean(text: str, what: str, most: int, allowed: str = "") -> str:
    if len(text) > most:
        raise InputError(say("text.too_long", what=what, length=len(text), most=most))
    bad = next((letter for letter in text if _steers(letter) and letter not in allowed), None)
    if bad is not None:
        raise InputError(say("text.steers_a_terminal", what=what, code=f"U+{ord(bad):04X}"))
    return text


def _bare(letter: str) -> str:
    parts = unicodedata.normalize("NFKD", letter)
    return "".join(part for part in parts if not unicodedata.combining(part))


# Latin letters without their accents, and accents that stand by themselves. All letters up to there
# are in it: one that is not found costs ten times as much as one that is.
_ACCENTS = [_bare(chr(code)) for code in range(0x370)]


def sought(text: str) -> str:
    """As texts are compared in a search: without case and accents, so that mull finds Müller."""
    return text.casefold().translate(_ACCENTS)
