"""The shop's time zone: by which every clock of page, phone and report goes, named."""

from __future__ import annotations

import os
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_LOCALTIME = Path("/etc/localtime")


@lru_cache(maxsize=1)
def zone_name() -> str:
    """The zone's own name, as Europe/Berlin, which browsers know too; empty when unknown."""
    zone = os.environ.get("TZ", "").removeprefix(":")
    places = [zone, str(_LOCALTIME.resolve()).rpartition("zoneinfo/")[2]]
    return next((name for name in places if name and _known(name)), "")


def _known(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def zone_at(wall_s: float) -> str:
    """How the shop's clock is named at a wall time in s, as CET."""
    return datetime.fromtimestamp(wall_s).astimezone().tzname() or "UTC"
