"""Which bench is this? An identity of its own, beside the journal: names can be given twice.

Benches that share their records, or a broker, are told apart by it.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

NAME = "bench_id"
# Benches of earlier versions keep the twelve digits that they have.
_FORM = re.compile(r"[0-9a-f]{12}|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def bench_id(folder: Path) -> str:
    """The identity (UUID) of the installation with this data folder.

    Made when there is none yet; empty where it cannot be kept: then nothing can be told apart.
    """
    file = folder / NAME
    if number := _read(file):
        return number
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file.unlink(missing_ok=True)
        with file.open("x", encoding="ascii") as new:
            new.write(f"{uuid.uuid4()}\n")
    except OSError:  # nowhere to keep it, or another process was quicker
        pass
    return _read(file)


def _read(file: Path) -> str:
    with suppress(OSError, UnicodeDecodeError):
        number = file.read_text(encoding="ascii").strip()
        return number if _FORM.fullmatch(number) else ""
    return ""


def by_namesake(data: Mapping[str, Any], own: str) -> bool:
    """Whether the data of a result were made on another bench of this name.

    Results of before benches had numbers count as one's own.
    """
    return bool(own) and data.get(NAME, own) != own
