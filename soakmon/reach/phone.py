"""Messages to telephones and mailboxes: the only module that knows apprise.

Addresses hold tokens and passwords: they are never logged, printed or put into errors.
"""

from __future__ import annotations

import logging
import re
import threading
from dataclasses import dataclass

import apprise

from soakmon.errors import InputError
from soakmon.reach.secrets import addresses, redact
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import PhoneSection

_said = logging.getLogger("apprise")
_said.propagate = False
# What these would log of a request can hold an address.
for _name in ("urllib3", "httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)


@dataclass(frozen=True, slots=True)
class Target:
    """One address of a person; its name can be shown."""

    person: str
    number: int
    address: str

    @property
    def name(self) -> str:
        """Such as first/1 (mailto): the scheme is all that is shown of an address."""
        scheme, found, _ = self.address.partition("://")
        return f"{self.person}/{self.number} ({scheme if found and scheme.isalnum() else '?'})"


def targets_of(section: PhoneSection) -> list[Target]:
    """All addresses. Raises InputError when a file cannot be read or there is none at all."""
    first = addresses(
        [url.get_secret_value() for url in section.urls],
        section.urls_file, "SOAKMON_PHONE_URLS", "phone.urls_file",
    )  # fmt: skip
    second = addresses(
        [url.get_secret_value() for url in section.second_urls],
        section.second_urls_file, "SOAKMON_PHONE_SECOND_URLS", "phone.second_urls_file",
    )  # fmt: skip
    if not first:
        raise InputError("phone: no address: write apprise addresses to a file: phone.urls_file")
    people = (("first", first), ("second", second))
    return [Target(who, i, url) for who, urls in people for i, url in enumerate(urls, start=1)]


class _Redaction(logging.Filter):
    """Lets warnings through without the address, and nothing below them."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address = address

    def filter(self, record: logging.LogRecord) -> bool:
        """Take the address out of a record."""
        record.msg, record.args = redact(record.getMessage(), [self.address]), ()
        return record.levelno >= logging.WARNING


class _Said(logging.Handler):
    """Keeps what is said in the thread that made it: other addresses are tried meanwhile."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.own = threading.get_ident()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a record's text."""
        if record.thread == self.own:
            self.lines.append(record.getMessage())


def understood(target: Target) -> bool:
    """Whether the library knows what to do with an address; also loads what it needs for that."""
    _said.addFilter(redaction := _Redaction(target.address))
    try:
        return bool(apprise.Apprise().add(target.address))
    except Exception:  # a plugin may raise anything, with the address in it
        return False
    finally:
        _said.removeFilter(redaction)


def send(target: Target, title: str, body: str, *, urgent: bool) -> None:
    """Send one message to one address. Raises ReachError, without the address."""
    # In this thread alone: the library's pools are few, and are waited for when the process ends.
    asset = apprise.AppriseAsset(
        app_id="soakmon", app_desc="soakmon", async_mode=False, service_timeout=0
    )
    out = apprise.Apprise(asset=asset)
    kind = apprise.NotifyType.FAILURE if urgent else apprise.NotifyType.INFO
    _said.addFilter(redaction := _Redaction(target.address))
    _said.addHandler(said := _Said())
    try:
        good = out.add(target.address) and out.notify(body, title, kind)
    except Exception as error:  # a plugin may raise anything, with the address in it
        raise ReachError(f"{target.name}: failed: {type(error).__name__}") from None
    finally:
        _said.removeHandler(said)
        _said.removeFilter(redaction)
    if not good:
        raise ReachError(f"{target.name}: not sent: {_why(' '.join(said.lines))}")


# What a server answers, by its status.
_ANSWERS = {
    401: "its server refuses the password or token: renew it in the address",
    403: "its server refuses the password or token: renew it in the address",
    404: "its server knows no such address: check its spelling",
    413: "its server finds the message too long",
    429: "its server has had too many messages: it is tried again later",
}


def _why(lines: str) -> str:
    """Why a message did not go, in words, from what the library logs in its own."""
    if not lines:
        return "the address is not understood: check its spelling"
    status = re.search(r"error\s*=\s*(\d{3})", lines)
    if status is not None:
        code = int(status[1])
        if code >= 500:
            return f"its server has trouble of its own ({code}): it is tried again later"
        return _ANSWERS.get(code, f"its server refuses the message ({code}): check the address")
    if re.search(r"connection|socket|timed? ?out|smtp", lines, re.IGNORECASE):
        return "its server cannot be reached: check network and address"
    return "its server did not take the message: check the address"
