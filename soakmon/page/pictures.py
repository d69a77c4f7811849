"""Which files a browser may show: by their first bytes, never by what their name claims."""

from __future__ import annotations

from pathlib import Path

_STARTS = (
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", "image/png"),
    (b"GIF87a", "image/gif"),
    (b"GIF89a", "image/gif"),
)


def type_of(path: Path) -> str | None:
    """The picture's media type; None for anything else, SVG too, which can hold scripts."""
    with path.open("rb") as file:
        head = file.read(16)
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "image/webp"
    return next((kind for start, kind in _STARTS if head.startswith(start)), None)
