"""A token of the time series for each bench, made by InfluxDB 2 for its operator.

By its API as documented ("InfluxDB OSS v2 API", Authorizations): a bench's authorization bears the
bench's address as its description, and may read and write the one bucket. InfluxDB knows no finer
rights, so a bench could write points of another; but its token ends with it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.domain.authorization import Authorization
from influxdb_client.domain.permission import Permission
from influxdb_client.domain.permission_resource import PermissionResource
from influxdb_client.rest import ApiException

from soakmon.enrol.servers import StorePlace
from soakmon.errors import InputError
from soakmon.reach.influx import plain_cause
from soakmon.reach.secrets import redact
from soakmon.texts import say

_TIMEOUT_MS = 10_000
_REASON_CHARS = 300
# How InfluxDB says that something is not there, or not so: always with a `code`. A server that has
# no such API says it in words of its own.
_NOT_SO = {400, 404, 405, 501}


class StoreAccess:
    """The tokens of a store, made by its operator. Every call raises InputError."""

    def __init__(self, place: StorePlace, operator: str) -> None:
        self.place, self.operator = place, operator
        self.client = InfluxDBClient(
            url=place.url, token=operator, org=place.org, timeout=_TIMEOUT_MS,
            retries=urllib3.Retry(0, redirect=0),
        )  # fmt: skip

    def let_in(self, address: str) -> str | None:
        """A new token for a bench, its earlier ones end; None: the store has no such tokens."""
        with self._errors_plain():
            bucket = self._bucket()
            if bucket is None:
                return None
            before = self._of(bucket.org_id, address)
            may = [
                Permission(
                    action=action,
                    resource=PermissionResource(type="buckets", id=bucket.id, org_id=bucket.org_id),
                )
                for action in ("read", "write")
            ]
            authorization: Any = self.client.authorizations_api().create_authorization(
                authorization=Authorization(
                    org_id=bucket.org_id, permissions=may, description=_description(address)
                )
            )
            self._end(before)
            return str(authorization.token)

    def shut_out(self, address: str) -> bool:
        """End a bench's tokens; False when it had none."""
        with self._errors_plain():
            bucket = self._bucket()
            before = [] if bucket is None else self._of(bucket.org_id, address)
            self._end(before)
            return bool(before)

    def close(self) -> None:
        """Let go of the store."""
        self.client.close()

    def _bucket(self) -> Any:
        """The bucket; None: the store has no such API."""
        try:
            buckets: Any = self.client.buckets_api().find_buckets(
                name=self.place.bucket, org=self.place.org
            )
        except ApiException as error:
            if error.status in _NOT_SO and not _has_code(error.body):
                return None
            raise
        if buckets.buckets is None:
            raise InputError(say("enrol.store_form"))
        named = [bucket for bucket in buckets.buckets if bucket.name == self.place.bucket]
        if not named:
            raise InputError(say("enrol.no_bucket", bucket=self.place.bucket, org=self.place.org))
        return named[0]

    def _of(self, org_id: str, address: str) -> list[str]:
        listed: Any = self.client.authorizations_api().find_authorizations(org_id=org_id)
        own = _description(address)
        return [
            authorization.id for authorization in listed or [] if authorization.description == own
        ]

    def _end(self, authorizations: list[str]) -> None:
        for authorization in authorizations:
            self.client.authorizations_api().delete_authorization(authorization)

    @contextmanager
    def _errors_plain(self) -> Iterator[None]:
        """What goes wrong as one line, without the operator's token."""
        try:
            yield
        except ApiException as error:
            words = " ".join(str(error.message or error.reason).split())[:_REASON_CHARS]
            why = f"{error.status}: {redact(words, [self.operator])}"
            raise InputError(say("enrol.store", why=why)) from None
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise InputError(say("enrol.store", why=plain_cause(error))) from None
        except (ValueError, TypeError, AttributeError):
            # Of the client, where an answer is not what the API says: a login page of a proxy.
            raise InputError(say("enrol.store_form")) from None


def _description(address: str) -> str:
    return f"soakmon bench {address}"


def _has_code(body: bytes | str | None) -> bool:
    try:
        content = json.loads(body or "")
    except (ValueError, RecursionError):
        return False
    return isinstance(content, dict) and "code" in content
