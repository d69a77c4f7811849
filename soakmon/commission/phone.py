"""A way to the phone: its address, kept as the secret that it is, and the code to scan."""

from __future__ import annotations

import io
import os
import re
import secrets
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

import segno

from soakmon.errors import InputError
from soakmon.texts import say

ADDRESSES = "phone-addresses"
_SERVER = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,200}[A-Za-z0-9])?(?::\d{1,5})?")
_MAILBOX = re.compile(r"[^\s@/?#:]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,200}[A-Za-z0-9])?")


class PushTopic(NamedTuple):
    """A topic of a push service: as the bench sends to it, and as the phone subscribes to it."""

    address: str
    link: str


def new_topic(server: str) -> PushTopic:
    """A topic on a server that nobody guesses: whoever knows it reads along."""
    name = server.strip().removeprefix("https://").strip("/")
    if not _SERVER.fullmatch(name):
        raise InputError(say("phone_choice.no_server", server=name))
    topic = f"soakmon-{secrets.token_hex(8)}"
    return PushTopic(f"ntfys://{name}/{topic}", f"https://{name}/{topic}")


def mail_address(user: str, server: str, password: str, to: str) -> str:
    """The address for mail that is sent by an account of a server."""
    for mailbox in (user, to):
        if not _MAILBOX.fullmatch(mailbox):
            raise InputError(say("phone_choice.no_mailbox", mailbox=mailbox))
    if not _SERVER.fullmatch(server):
        raise InputError(say("phone_choice.no_server", server=server))
    name, _, domain = user.partition("@")
    return f"mailtos://{quote(name)}:{quote(password, safe='')}@{domain}?smtp={server}&to={to}"


def keep_address(path: Path, address: str) -> None:
    """In a file of its own, for its group alone. Raises InputError when it cannot be written."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(f"# Addresses of the phone, one a line.\n{address}\n")
        # The service is in the folder's group, and reads it.
        os.chown(path, -1, path.parent.stat().st_gid)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}: run it with sudo") from None


def terminal_code(text: str) -> str:
    """A code to scan, drawn in half blocks for a terminal."""
    output = io.StringIO()
    segno.make(text, error="m").terminal(out=output, compact=True, border=2)
    return output.getvalue()


def svg_code(text: str) -> str:
    """The same as an SVG image: black on white in any theme, or no camera reads it."""
    output = io.BytesIO()
    segno.make(text, error="m").save(
        output, kind="svg", xmldecl=False, border=4, dark="#000", light="#fff", omitsize=True
    )
    return output.getvalue().decode("utf-8")
