"""The API does what its OpenAPI description says, whatever is sent to it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

import hypothesis
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.page.conftest import HERE

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
# Who may not do a thing is refused before what was sent is looked at: few tries show it.
TRIES = {"run": 8, "look": 3, "stranger": 3}
EXAMPLES = hypothesis.settings(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],  # a failure is told as it is found: the smallest one takes minutes
)


def nearby(app):
    """The application, called from the shop's network."""

    async def called(scope, receive, send):
        await app({**scope, "client": (HERE, 4711)}, receive, send)

    return called


@pytest.mark.parametrize("who", ["run", "look", "stranger"])
def test_no_undocumented_answer(paged, who):
    client = paged.client() if who == "stranger" else paged.signed_in(who)
    headers = dict(client.headers) | {"Host": "bench.local"}
    if "soakmon" in client.cookies:
        headers["Cookie"] = f"soakmon={client.cookies['soakmon']}"
    schema = schemathesis.openapi.from_dict(paged.app.openapi())
    schema.app = nearby(paged.app)
    codes: Counter[int] = Counter()
    operations: Iterable[Any] = schema.get_all_operations()
    for found in operations:
        operation = found.ok()
        if operation.path == "/api/sign-out":  # it would make a stranger of everybody
            continue
        good = operation.as_strategy(generation_mode=GenerationMode.POSITIVE)
        bad = operation.as_strategy(generation_mode=GenerationMode.NEGATIVE)

        @hypothesis.settings(EXAMPLES, max_examples=TRIES[who])
        @hypothesis.given(case=hypothesis.strategies.one_of(good, bad))
        def try_it(case):
            # Invented sign-ins would hide what somebody signed in can do.
            case.headers.pop("Authorization", None)
            case.cookies.pop("soakmon", None)
            # Waiting is tested elsewhere; here it would only take time.
            for name, least in (("wait_s", 0), ("over_s", 0.5)):
                if name in (case.query or {}):
                    case.query[name] = least
            answer = case.call_and_validate(headers=headers, checks=CHECKS)
            codes[answer.status_code] += 1

        try_it()
    reached = {"stranger": {401}, "look": {200, 403, 422}, "run": {200, 409, 422}}
    assert codes.total() > 100
    assert reached[who] <= set(codes), codes
