"""Text in the letters that the report's font has.

The letters are DejaVu Sans, which the plotting library brings along. What it lacks (Chinese,
Japanese, Korean, pictures; in the font of equal widths also Hebrew) is shown as its code, U+6F22,
instead of an empty box.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Literal

Family = Literal["sans", "mono"]
FONTS: dict[Family, tuple[str, ...]] = {
    "sans": ("DejaVuSans", "DejaVuSans-Bold"),
    "mono": ("DejaVuSansMono",),
}
_UNSHOWN = {"Cc", "Cf", "Mn", "Cs"}
# They have no shape of their own, but say whether Arabic letters join: Persian needs them.
_JOINERS = "\u200c\u200d"


def font_file(name: str) -> Path:
    """The file of a font, such as DejaVuSans-Bold."""
    # Imported here: it takes longer than deciding, and only a report needs it.
    from matplotlib import get_data_path  # noqa: PLC0415

    return Path(get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"


@cache
def _known(family: Family) -> frozenset[int]:
    """Letters that every font of a family has."""
    from fontTools.ttLib import TTFont  # noqa: PLC0415 - as above

    known = []
    for name in FONTS[family]:
        with TTFont(font_file(name), lazy=True) as font:
            known.append(frozenset(font.getBestCmap() or {}))
    return frozenset.intersection(*known)


def right_to_left(text: str) -> bool:
    """Whether some of it is written from right to left, as Arabic and Hebrew are."""
    return any(unicodedata.bidirectional(letter) in {"R", "AL"} for letter in text)


def shown(text: str, family: Family = "sans") -> str:
    """Text of letters that can be shown; line breaks stay, marks that nothing shows go."""
    text = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")
    joiners = _JOINERS if right_to_left(text) else ""
    return "".join(_letters(text.expandtabs(4), _known(family), joiners))


def single_line(text: str, most: int) -> str:
    """The same on one line of at most so many letters."""
    text = " ".join(shown(text).split())
    return text if len(text) <= most else text[: most - 1] + "…"


def _letters(text: str, known: frozenset[int], joiners: str) -> Iterator[str]:
    for letter in text:
        joins = letter in joiners
        shows = joins or unicodedata.category(letter) not in _UNSHOWN
        if letter == "\n" or (shows and ord(letter) in known):
            yield letter
        elif shows and not joins:
            yield f"‹U+{ord(letter):04X}›"
