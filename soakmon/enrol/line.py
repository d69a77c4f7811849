"""The one line that a bench is brought in with: all that it must know, in letters that are copied.

It holds passwords. Whoever has it can speak for the bench until it is rotated or revoked.
"""

from __future__ import annotations

import base64
import binascii
import zlib

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from soakmon.bench_address import NAME_PATTERN, SHOP_PATTERN, address_of
from soakmon.errors import InputError
from soakmon.texts import say

_START = "soakmon-1."
# With a certificate a line has some 2 kB; what unpacks to more is none of ours.
_MOST = 64_000


class Invitation(BaseModel):
    """What a bench is told. Empty: the hall has no such server."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    bench: str = Field(pattern=NAME_PATTERN)
    shop: str = Field(default="", pattern=SHOP_PATTERN)
    host: str
    port: int
    password: str
    authority: str = ""
    store_url: str = ""
    store_org: str = ""
    store_bucket: str = ""
    store_token: str = ""
    catch_up: float = 2.5
    records_url: str = ""

    @property
    def address(self) -> str:
        """The bench among all on the broker, and its user name there."""
        return address_of(self.shop, self.bench)


def as_line(invitation: Invitation) -> str:
    """The invitation as one word."""
    packed = zlib.compress(invitation.model_dump_json(exclude_defaults=True).encode(), 9)
    return _START + base64.urlsafe_b64encode(packed).decode().rstrip("=")


def of_line(line: str) -> Invitation:
    """The invitation of a word. Raises InputError, without what is in it."""
    word = "".join(line.split())
    if not word.startswith(_START):
        raise InputError(say("enrol.no_line"))
    body = word.removeprefix(_START)
    try:
        packed = base64.urlsafe_b64decode(body + "=" * (-len(body) % 4))
        return Invitation.model_validate_json(_unpacked(packed))
    except (binascii.Error, zlib.error, ValidationError, ValueError):
        raise InputError(say("enrol.damaged_line")) from None


def _unpacked(packed: bytes) -> bytes:
    opened = zlib.decompressobj()
    text = opened.decompress(packed, _MOST)
    if not opened.eof or opened.unconsumed_tail:
        raise ValueError("it is cut off, or too long")
    return text
