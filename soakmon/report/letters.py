"""Text in the letters that the report's font has.

The letters are DejaVu Sans, which the plotting library brings along. What it lacks (Chinese,
Japanese, Korean, pictures) is shown as its code, U+6F22, instead of an empty box.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path

_UNSHOWN = {"Cc", "Cf", "Mn", "Cs"}


def font_file(name: str) -> Path:
    """The file of a font, such as DejaVuSans-Bold."""
    # Imported here: it takes longer than deciding, and only a report needs it.
    from matplotlib import get_data_path  # noqa: PLC0415

    return Path(get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"


@cache
def _known() -> frozenset[int]:
    """Letters that every font of the report has."""
    from fontTools.ttLib import TTFont  # noqa: PLC0415 - as above

    found = []
    for name in ("DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono"):
        with TTFont(font_file(name), lazy=True) as font:
            found.append(frozenset(font.getBestCmap() or {}))
    return frozenset.intersection(*found)


def shown(text: str) -> str:
    """Text of letters that can be shown; line breaks stay, marks that nothing shows go."""
    text = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")
    return "".join(_letters(text.expandtabs(4)))


def one_line(text: str, most: int) -> str:
    """The same on one line of at most so many letters."""
    text = " ".join(shown(text).split())
    return text if len(text) <= most else text[: most - 1] + "…"


def _letters(text: str) -> Iterator[str]:
    for letter in text:
        code = ord(letter)
        if letter == "\n" or (code in _known() and unicodedata.category(letter) not in _UNSHOWN):
            yield letter
        elif unicodedata.category(letter) not in _UNSHOWN:
            yield f"‹U+{code:04X}›"
