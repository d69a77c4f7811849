"""The door: passwords, the first account's one-time code, and waiting after wrong tries."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from soakmon.page.network import neighbourhood
from soakmon.page.store import Role, Store, digest
from soakmon.texts import say

LEAST_PASSWORD = 10
LONGEST_NAME = 60
CODE_S = 3600.0
_CODE_TRIES = 5
_CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"  # none that is read as another
_FREE_TRIES = 3
_MOST_KEYS = 5000
_TURN_S = 3.0


class SlowDownError(Exception):
    """Too many wrong tries; `wait_s` to go."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(say("door.too_many_wrong_tries_wait", wait_s=f"{wait_s:.0f}"))
        self.wait_s = wait_s


class Tries:
    """Wrong tries of somebody or at something: after three, each doubles the wait, up to most_s."""

    def __init__(self, most_s: float, now_s: Callable[[], float]) -> None:
        self.most_s, self.now_s = most_s, now_s
        self.failed: dict[str, tuple[int, float]] = {}

    def check(self, key: str) -> None:
        """SlowDownError while its wait is not over."""
        count, at_s = self.failed.get(key, (0, 0.0))
        wait_s = min(2.0 ** min(count - _FREE_TRIES, 20), self.most_s)
        left_s = at_s + wait_s - self.now_s()
        if count >= _FREE_TRIES and left_s > 0:
            raise SlowDownError(left_s)

    def wrong(self, key: str) -> None:
        """Note a wrong try."""
        count, _ = self.failed.pop(key, (0, 0.0))
        self.failed[key] = (count + 1, self.now_s())
        while len(self.failed) > _MOST_KEYS:
            del self.failed[next(iter(self.failed))]

    def right(self, key: str) -> None:
        """Forget its wrong tries."""
        self.failed.pop(key, None)


class Door:
    """Lets people in. One try at a time: a hash takes 19 MiB, and waiting is part of the lock.

    now_s: monotonic time.
    """

    def __init__(self, store: Store, now_s: Callable[[], float] = time.monotonic) -> None:
        self.store, self.now_s = store, now_s
        # OWASP's smallest Argon2id setting (Password Storage Cheat Sheet): fits a Pi of 512 MB.
        self.hasher = PasswordHasher(time_cost=2, memory_cost=19456, parallelism=1)
        self.nobody = self.hasher.hash(secrets.token_urlsafe(16))
        self.lock = threading.Lock()
        # A name's wait is short, so that a stranger cannot lock its owner out for long.
        self.addresses, self.names = Tries(900.0, now_s), Tries(30.0, now_s)
        self.code_digest = ""
        self.code_until_s = 0.0
        self.code_tries = 0

    def hash(self, password: str) -> str:
        """The hash of a password that is kept."""
        return self.hasher.hash(password)

    def sign_in(self, name: str, password: str, address: str) -> str | None:
        """The secret of a new sign-in, None when name or password are wrong.

        Raises SlowDownError. An unknown name takes as long as a wrong password.
        """
        if not self.lock.acquire(timeout=_TURN_S):
            raise SlowDownError(_TURN_S)
        try:
            near, who = neighbourhood(address), digest(name)
            self.addresses.check(near)
            self.names.check(who)
            stored = self.store.password_of(name)
            if self._fits(stored or self.nobody, password) and stored is not None:
                self.addresses.right(near)
                self.names.right(who)
                return self.store.open_session(name)
            self.addresses.wrong(near)
            self.names.wrong(who)
            return None
        finally:
            self.lock.release()

    def _fits(self, digest: str, password: str) -> bool:
        try:
            return self.hasher.verify(digest, password)
        except (VerificationError, InvalidHashError):
            return False

    @property
    def is_new(self) -> bool:
        """Whether nobody has an account yet."""
        return not self.store.accounts()

    def new_code(self) -> str:
        """A one-time code for the first account, to be shown at the bench only."""
        letters = "".join(secrets.choice(_CODE_LETTERS) for _ in range(8))
        self.code_digest = digest(letters)
        self.code_until_s = self.now_s() + CODE_S
        self.code_tries = 0
        return f"{letters[:4]}-{letters[4:]}"

    def set_up(self, code: str, name: str, password: str) -> bool:
        """Make the first account, with the role run; False when the code does not open it.

        Raises SlowDownError when the code has been guessed at too often: a restart makes another.
        """
        with self.lock:
            if self.code_tries >= _CODE_TRIES:
                raise SlowDownError(CODE_S)
            given = digest(code.replace("-", "").strip().upper())
            good = bool(self.code_digest) and secrets.compare_digest(given, self.code_digest)
            if not good or not self.is_new or self.now_s() > self.code_until_s:
                self.code_tries += 1
                return False
            self.code_digest = ""
            self.store.set_account(name, Role.RUN, self.hash(password))
            return True
