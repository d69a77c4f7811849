"""Benches invited, given new secrets and shut out, on the broker's machine."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from soakmon.bench_address import address_of
from soakmon.enrol.broker_access import LOOKOUT, SCREEN, BrokerAccess, new_password
from soakmon.enrol.line import Invitation
from soakmon.enrol.records_access import RecordsAccess
from soakmon.enrol.servers import HallServers, RecordsPlace
from soakmon.errors import InputError
from soakmon.reach.secrets import read_secret
from soakmon.texts import say


class Desk:
    """Whoever enrols: knows the servers, and lets in and shuts out on all of them."""

    def __init__(self, servers: HallServers) -> None:
        self.servers = servers
        self.broker = BrokerAccess(servers.broker)

    def invite(self, bench: str, shop: str, *, again: bool) -> Invitation:
        """Let a bench in everywhere; again: one that is in gets new secrets, the old ones end.

        Raises InputError for a bench that is in already, or (again) for one that is not.
        """
        address = address_of(shop, bench)
        if (address in self.broker.users()) is not again:
            raise InputError(say("enrol.unknown" if again else "enrol.known", bench=address))
        place, password = self.servers.broker, new_password()
        told = {
            "bench": bench, "shop": shop, "host": place.host, "port": place.port,
            "password": password, "authority": _text(place.ca_file),
        }  # fmt: skip
        if (store := self.servers.store) is not None:
            token = read_secret(store.token_file, "SOAKMON_HALL_TOKEN", "store.token_file")
            told |= {
                "store_url": store.url, "store_org": store.org, "store_bucket": store.bucket,
                "store_token": token or "any", "catch_up": store.catch_up,
            }  # fmt: skip
        if (records := self.servers.records) is not None:
            secret = new_password()
            access = self._records(records)
            try:
                role = access.let_in(bench, shop, secret)
            finally:
                access.close()
            told["records_url"] = _url(records, role, secret)
        # The broker is last: who is known there has been let in everywhere.
        invitation = Invitation.model_validate(told)
        self.broker.let_in(address, password)
        return invitation

    def helper(self, user: str) -> str:
        """Let a lookout or a wall screen in at the broker; its password."""
        if user not in {LOOKOUT, SCREEN}:
            raise InputError(say("enrol.unknown", bench=user))
        password = new_password()
        self.broker.let_in(user, password)
        return password

    def revoke(self, address: str) -> list[str]:
        """Shut a bench out everywhere; where it was let in."""
        found = []
        if self.broker.shut_out(address):
            found.append("broker")
        if self.servers.records is not None and address not in {LOOKOUT, SCREEN}:
            access = self._records(self.servers.records)
            try:
                if access.shut_out(address):
                    found.append("records")
            finally:
                access.close()
        if not found:
            raise InputError(say("enrol.unknown", bench=address))
        return found

    def listed(self) -> list[str]:
        """Who is let in at the broker."""
        return sorted(self.broker.users())

    @staticmethod
    def _records(place: RecordsPlace) -> RecordsAccess:
        key = "records.owner_url_file"
        return RecordsAccess(read_secret(place.owner_url_file, "SOAKMON_OWNER_URL", key))


def _url(place: RecordsPlace, role: str, password: str) -> str:
    own = f"{quote(role, safe='')}:{quote(password, safe='')}"
    options = f"?{place.options}" if place.options else ""
    return f"postgresql://{own}@{place.host}:{place.port}/{place.name}{options}"


def _text(file: str) -> str:
    if not file:
        return ""
    try:
        return Path(file).read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"{file}: {error.strerror}") from None
