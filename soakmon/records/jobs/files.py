"""Attachments, kept once each under the SHA-256 of what they hold, beside the database."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from pathlib import Path
from typing import IO

from soakmon.errors import InputError
from soakmon.texts import say

_BLOCK = 1 << 20
MOST_BYTES = 500_000_000


class FileStore:
    """A folder of files named by their SHA-256."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Where a file lies. Raises InputError for what is no hash, such as a path."""
        if not re.fullmatch(r"[0-9a-f]{64}", sha256):
            raise InputError(f"{sha256!r} is not a SHA-256")
        return self.folder / sha256[:2] / sha256

    def add(self, source: Path) -> tuple[str, int]:
        """Keep a copy of a file; returns its hash and size in bytes."""
        try:
            with source.open("rb") as file:
                return self.add_stream(file, str(source))
        except OSError as error:
            raise InputError(f"{source}: cannot be read: {error.strerror}") from None

    def add_stream(self, stream: IO[bytes], name: str) -> tuple[str, int]:
        """Keep what a stream holds. It is on the disk, whole, before its name appears."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=self.folder, prefix=".part-", delete=False) as part:
            try:
                sha256, size = _copy(stream, part, name)
                part.flush()
                os.fsync(part.fileno())
                # A temporary file is for its owner alone; this one is for the folder's group too.
                os.fchmod(part.fileno(), 0o640)
                target = self.path(sha256)
                target.parent.mkdir(exist_ok=True)
                Path(part.name).replace(target)
            except BaseException:
                Path(part.name).unlink(missing_ok=True)
                raise
        return sha256, size

    def check(self, sha256: str) -> Path:
        """The path of a kept file whose content still has its hash; else InputError."""
        path = self.path(sha256)
        try:
            digest = sha256_of(path)
        except OSError:
            raise InputError(say("files.missing", path=path)) from None
        if digest != sha256:
            raise InputError(say("files.damaged", path=path))
        return path


def _copy(source: IO[bytes], target: IO[bytes], name: str) -> tuple[str, int]:
    """Copy a stream in blocks; its hash and size. Refuses what is too large to be a picture."""
    digest, size = hashlib.sha256(), 0
    while block := source.read(_BLOCK):
        size += len(block)
        if size > MOST_BYTES:
            raise InputError(say("files.too_large", name=name, most_mb=MOST_BYTES // 1_000_000))
        digest.update(block)
        target.write(block)
    return digest.hexdigest(), size


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return sha256_of_stream(file)


def sha256_of_stream(stream: IO[bytes]) -> str:
    """SHA-256 of what is left in a stream, in hexadecimal."""
    digest = hashlib.sha256()
    while block := stream.read(_BLOCK):
        digest.update(block)
    return digest.hexdigest()


_SIGNATURES = (
    (b"\x89PNG\r\n\x1a\n", "image/png"),
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"GIF87a", "image/gif"),
    (b"GIF89a", "image/gif"),
)


def picture_type(path: Path) -> str | None:
    """Media type of a picture by its first bytes, whatever its name; None for anything else.

    SVG is not among them: it can hold scripts.
    """
    with path.open("rb") as file:
        head = file.read(12)
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "image/webp"
    return next((kind for start, kind in _SIGNATURES if head.startswith(start)), None)


def safe_name(name: str) -> str:
    """A file name that is one on every system: letters, digits, dot, dash and underscore."""
    name = re.sub(r"[^\w.-]+", "_", name, flags=re.ASCII).strip("._")
    stem, dot, suffix = name.rpartition(".")
    return f"{stem[:60]}{dot}{suffix[:10]}" if stem else name[:60] or "file"
