"""What the page keeps of commissioning in the data folder, and what bench.toml may take over of it.

The service writes the file; whoever takes over is root, and believes nothing else of it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from soakmon.app.whole_file import write_whole
from soakmon.commission import questions
from soakmon.commission.phone import ADDRESSES
from soakmon.errors import InputError
from soakmon.texts import say

FILE = "commissioning-page.json"
TAKE_OVER = "sudo soakmon commission --from-page"
# What may come into bench.toml from here.
KEYS = frozenset(
    {
        "cell.driver", "cell.iio_path", "cell.i2c_bus", "cell.spi_bus", "thermometer.driver",
        "thermometer.sensor_id", "phone.enabled", "phone.urls_file", "cell.g_per_count",
        "cell.zero_counts", *questions.KEYS,
    }
)  # fmt: skip


def read_saved(folder: Path) -> dict[str, Any]:
    """What the page has kept of commissioning; nothing where there is none, or it is damaged."""
    try:
        saved = json.loads((folder / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return saved if isinstance(saved, dict) else {}


def write_saved(folder: Path, saved: dict[str, Any]) -> None:
    """Keep it. Raises InputError."""
    write_whole(folder / FILE, json.dumps(saved))


def take_over(folder: Path) -> dict[str, Any]:
    """What bench.toml is to take over from the page, by section.key. Raises InputError.

    folder: that of the data, which the service writes: nothing else of it is believed.
    """
    keys = read_saved(folder).get("keys") or {}
    urls_file = keys.get("phone.urls_file", str(folder / ADDRESSES))
    if not keys:
        raise InputError(say("commission_kept.nothing"))
    if not set(keys) <= KEYS or Path(urls_file).resolve() != (folder / ADDRESSES).resolve():
        raise InputError(f"{folder / FILE}: holds what the page does not write")
    return dict(keys)


def taken_over(folder: Path) -> None:
    """It is in bench.toml now."""
    write_saved(folder, read_saved(folder) | {"keys": {}})
