"""Who may what on the broker: mosquitto's password file and access list.

One pattern lets each bench at its own topics, whatever its name; what it may read of the others of
its shop stands below its name. The form of the passwords is mosquitto's own ($7$: PBKDF2 with
SHA-512): its tool takes them on the command line, where all users of the machine could read them.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import subprocess
from pathlib import Path

from soakmon.bench_address import address_of, parts_of
from soakmon.enrol.secret_files import rewrite_secret
from soakmon.enrol.servers import BrokerPlace
from soakmon.errors import InputError
from soakmon.texts import say

LOOKOUT, SCREEN = "soakmon-lookout", "soakmon-screen"
# As many as mosquitto's own tool takes. Passwords of 192 random bits are not guessed, however cheap
# a guess is; 10,000 rounds cost the broker, which has one thread, 5 ms for each that comes back.
_ROUNDS, _SALT_BYTES = 101, 12
_SEEN = ("availability", "state", "phase", "verdict")
_OWN_WORDS = "# Written by soakmon enrol: changes are lost."


def new_password() -> str:
    """A password that nobody has to type: 32 letters."""
    return secrets.token_urlsafe(24)


def password_line(user: str, password: str, salt: bytes | None = None) -> str:
    """A line of the password file."""
    salt = salt or secrets.token_bytes(_SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    parts = (str(_ROUNDS), base64.b64encode(salt).decode(), base64.b64encode(digest).decode())
    return f"{user}:$7${'$'.join(parts)}"


def access_list(users: list[str], discovery_prefix: str = "") -> str:
    """The access list for these users: benches by name or shop/name, lookout and wall screen."""
    lines = [
        _OWN_WORDS, "# A bench, its own topics; and whether another one has its identity.",
        "pattern readwrite soakmon/%u/#", "pattern readwrite soakmon/_identity/+",
    ]  # fmt: skip
    for user in sorted(users):
        lines += ["", f"user {user}"]
        if user == LOOKOUT:
            lines += ["topic read soakmon/#", "topic readwrite soakmon/_lookout/#"]
        elif user == SCREEN:
            lines += [f"topic read soakmon/{at}/{topic}" for at in ("+", "+/+") for topic in _SEEN]
        else:
            shop, bench = parts_of(user)
            others = address_of(shop, "+")
            lines += [f"topic read soakmon/{others}/{topic}" for topic in _SEEN]
            if discovery_prefix:
                node = f"soakmon-{shop}_{bench}" if shop else f"soakmon_{bench}"
                lines.append(f"topic readwrite {discovery_prefix}/+/{node}/#")
    return "\n".join(lines) + "\n"


class BrokerAccess:
    """The two files of a broker, and its being told of them."""

    def __init__(self, place: BrokerPlace) -> None:
        self.place = place
        self.file = Path(place.password_file)

    def users(self) -> dict[str, str]:
        """Who is let in, each with its line."""
        if not self.file.exists():
            return {}
        lines = self.file.read_text(encoding="utf-8").splitlines()
        return {line.partition(":")[0]: line for line in lines if ":" in line}

    def let_in(self, user: str, password: str) -> None:
        """Let somebody in, with this password from now on."""
        self._write({**self.users(), user: password_line(user, password)})

    def shut_out(self, user: str) -> bool:
        """Let somebody in no more; False when nobody was."""
        users = self.users()
        if users.pop(user, None) is None:
            return False
        self._write(users)
        return True

    def _write(self, users: dict[str, str]) -> None:
        access = access_list(list(users), self.place.discovery_prefix)
        rewrite_secret(Path(self.place.access_file), access)
        rewrite_secret(self.file, "".join(f"{line}\n" for line in users.values()))
        if self.place.reload:
            done = subprocess.run(self.place.reload, capture_output=True, text=True, check=False)
            if done.returncode:
                why = done.stderr.strip() or f"exit code {done.returncode}"
                raise InputError(say("enrol.reload", why=why))
