"""Writes bench.toml, and keeps every version that it replaces."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from soakmon.bench_toml import example_toml, parse_bench
from soakmon.config import Bench
from soakmon.errors import InputError
from soakmon.toml_text import read_text, table_of

EARLIER = "earlier"


def values_of(path: Path) -> dict[str, Any]:
    """What a bench.toml says, by "section.key"; nothing where there is none."""
    if not path.exists():
        return {}
    table = table_of(read_text(path), str(path))
    sections = ((name, keys) for name, keys in table.items() if isinstance(keys, dict))
    return {f"{name}.{key}": value for name, keys in sections for key, value in keys.items()}


def write_bench(path: Path, new: Mapping[str, Any], when: datetime) -> Bench:
    """Write what the file says already with what is new; the file that was there is kept.

    Raises InputError for what is no bench, before anything is written, and for a file that cannot
    be.
    """
    text = example_toml({**values_of(path), **new})
    bench = parse_bench(text, str(path))
    try:
        if path.exists():
            before = path.read_text(encoding="utf-8")
            if before == text:
                return bench
            folder = path.parent / EARLIER
            folder.mkdir(exist_ok=True)
            # Times that sort; two of one second are one version.
            backup = folder / f"bench-{when:%Y%m%d-%H%M%S}.toml"
            backup.write_text(before, encoding="utf-8")
            _like(backup, path)
        part = path.with_name(path.name + ".part")
        part.write_text(text, encoding="utf-8")
        if path.exists():
            _like(part, path)
        part.replace(path)
    except OSError as error:
        name = error.filename or path
        raise InputError(f"{name}: cannot be written: {error.strerror}: run it with sudo") from None
    return bench


def _like(new: Path, old: Path) -> None:
    """Owner, group and mode as the file before."""
    stat = old.stat()
    os.chown(new, stat.st_uid, stat.st_gid)
    new.chmod(stat.st_mode & 0o7777)
