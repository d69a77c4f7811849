"""What set-up does to the machine: every command and every file goes through here, and is told."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path


class SetUpError(Exception):
    """What keeps set-up from going on, in one line."""


class Machine:
    """Runs commands and writes files; `changed` counts what was not as it should be."""

    def __init__(self, say: Callable[[str], None] | None = None) -> None:
        self._say = say or (lambda text: print(text, flush=True))
        self.changed = 0

    def did(self, text: str) -> None:
        """Tell of a change."""
        self.changed += 1
        self._say(f"  {text}")

    def say(self, text: str) -> None:
        """Tell of what is no change."""
        self._say(text)

    def run(self, *command: str | Path, env: dict[str, str] | None = None) -> str:
        """What a command prints. Raises SetUpError with its last line when it fails."""
        words = [str(word) for word in command]
        try:
            done = subprocess.run(
                words,
                check=False,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
                env=None if env is None else os.environ | env,
            )
        except OSError as error:
            raise SetUpError(f"{words[0]}: cannot be run: {error.strerror}") from None
        if done.returncode:
            lines = [line for line in done.stdout.splitlines() if line.strip()] or ["no reason"]
            # The last line is often advice, and warnings speak of errors as well.
            reason = next((line for line in reversed(lines) if line.startswith("ERROR")), lines[-1])
            raise SetUpError(f"{' '.join(words[:4])} …: {reason.strip()}")
        return done.stdout

    def works(self, *command: str | Path) -> bool:
        """Whether a command ends well."""
        try:
            self.run(*command)
        except SetUpError:
            return False
        return True

    def write(self, path: Path, text: str, mode: int = 0o644, *, announced: bool = True) -> bool:
        """Have a file say this; whether it had to be written. It is whole at any moment.

        announced: whether that is worth a line.
        """
        if path.is_file() and path.read_text(encoding="utf-8") == text:
            if path.stat().st_mode & 0o7777 != mode:
                path.chmod(mode)
            return False
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(path.name + ".part")
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(mode)
        part.replace(path)
        if announced:
            self.did(f"wrote {path}")
        return True

    def delete(self, paths: Sequence[Path]) -> None:
        """Delete files and links that are there."""
        for path in paths:
            if path.is_symlink() or path.is_file():
                path.unlink()
                self.did(f"deleted {path}")

    def link(self, path: Path, target: Path) -> None:
        """Have a link point to a folder beside it; it points somewhere at any moment."""
        relative = os.path.relpath(target, path.parent)
        if path.is_symlink() and str(path.readlink()) == relative:
            return
        part = path.with_name(path.name + ".part")
        part.unlink(missing_ok=True)
        part.symlink_to(relative)
        part.replace(path)
