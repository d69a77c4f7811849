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
from soakmon.reach.reply import with_button
from soakmon.reach.secrets import addresses, redact
from soakmon.reach.supervise import ReachError
from soakmon.reach_config import PhoneSection
from soakmon.texts import say

_library_log = logging.getLogger("apprise")
_library_log.propagate = False
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
        scheme, rest, _ = self.address.partition("://")
        return f"{self.person}/{self.number} ({scheme if rest and scheme.isalnum() else '?'})"


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
        raise InputError(say("phone.phone_no_address_write_apprise"))
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


class _LogLines(logging.Handler):
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
    _library_log.addFilter(redaction := _Redaction(target.address))
    try:
        return bool(apprise.Apprise().add(target.address))
    except Exception:  # a plugin may raise anything, with the address in it
        return False
    finally:
        _library_log.removeFilter(redaction)


def send(
    target: Target, title: str, body: str, *, urgent: bool, mark: str = "", button: str = ""
) -> None:
    """Send one message to one address. Raises ReachError, without the address.

    mark: of the alarm that a button with this label acknowledges, where the way allows it.
    """
    address = with_button(target.address, button, mark) if mark else target.address
    # In this thread alone: the library's pools are few, and are waited for when the process ends.
    asset = apprise.AppriseAsset(
        app_id="soakmon", app_desc="soakmon", async_mode=False, service_timeout=0
    )
    out = apprise.Apprise(asset=asset)
    kind = apprise.NotifyType.FAILURE if urgent else apprise.NotifyType.INFO
    _library_log.addFilter(redaction := _Redaction(address))
    _library_log.addHandler(lines := _LogLines())
    try:
        good = out.add(address) and out.notify(body, title, kind)
    except Exception as error:  # a plugin may raise anything, with the address in it
        raise ReachError(
            say("phone.failed", name=target.name, name2=type(error).__name__)
        ) from None
    finally:
        _library_log.removeHandler(lines)
        _library_log.removeFilter(redaction)
    if not good:
        raise ReachError(say("phone.not_sent", name=target.name, lines=_why(" ".join(lines.lines))))


# What a server answers, by its status.
_ANSWERS = {
    401: say("phone.its_server_refuses_password_token"),
    403: say("phone.its_server_refuses_password_token"),
    404: say("phone.its_server_knows_no_such"),
    413: say("phone.its_server_finds_message_too"),
    429: say("phone.its_server_has_had_too"),
}


def _why(lines: str) -> str:
    """Why a message did not go, in words, from what the library logs in its own."""
    if not lines:
        return say("phone.address_not_understood_check_its")
    status = re.search(r"error\s*=\s*(\d{3})", lines)
    if status is not None:
        code = int(status[1])
        if code >= 500:
            return say("phone.its_server_has_trouble_its", code=code)
        if code in _ANSWERS:
            return say("phone.with_status", why=_ANSWERS[code], code=code)
        return say("phone.its_server_refuses_message_check", code=code)
    if re.search(r"connection|socket|timed? ?out|smtp", lines, re.IGNORECASE):
        return say("phone.its_server_cannot_reached_check")
    return say("phone.its_server_did_not_take")
