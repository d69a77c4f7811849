"""A PostgreSQL server of one's own, for as long as a test or a session of them lasts."""

from __future__ import annotations

import os
import pwd
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any


def programs() -> Path:
    """Where the server's programs are."""
    places = [Path(p).parent for p in [shutil.which("initdb")] if p]
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    found = [p for p in places if (p / "initdb").exists() and (p / "postgres").exists()]
    assert found, "the PostgreSQL server is missing: bash tests/run brings it"
    return found[0]


@contextmanager
def scratch_server(
    flags: Sequence[str] = ("-c", "listen_addresses="), files: Mapping[str, bytes] | None = None
) -> Iterator[Path]:
    """Its folder, where its socket is; flags: of the server, {folder} in them is the folder.

    files: by name, put there for the server alone.
    """
    # The server refuses to run as root.
    user = "nobody" if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="pg"))  # a socket's path must be short
    for name, content in (files or {}).items():
        (folder / name).write_bytes(content)
        (folder / name).chmod(0o600)
    if user:
        for one in (folder, *folder.iterdir()):
            os.chown(one, pwd.getpwnam(user).pw_uid, -1)
    options: dict[str, Any] = {"user": user, "cwd": folder, "stdout": subprocess.DEVNULL}
    data, server = folder / "data", programs()
    init: list[Any] = [server / "initdb", "-D", data, "-U", "soakmon", "-A", "trust", "-E", "UTF8"]
    subprocess.run([*init, "--no-sync"], check=True, stderr=subprocess.DEVNULL, **options)
    own = ["-c", f"unix_socket_directories={folder}", "-c", "fsync=off"]
    told = shlex.join([*(flag.format(folder=folder) for flag in flags), *own])
    control: list[Any] = [server / "pg_ctl", "-D", data, "-w"]
    subprocess.run([*control, "-l", folder / "log", "-o", told, "start"], check=True, **options)
    try:
        yield folder
    finally:
        subprocess.run([*control, "-m", "immediate", "stop"], check=True, **options)
        shutil.rmtree(folder)
