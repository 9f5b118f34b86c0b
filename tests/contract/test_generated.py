"""Schemathesis over the whole document, against the running service."""

from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.config import SchemathesisConfig
from schemathesis.specs.openapi.checks import ignored_auth

HERE = Path(__file__).parent
# From the committed file, which test_openapi.py holds equal to the served one: reading it needs no running
# service.
schema = schemathesis.openapi.from_path(
    HERE.parents[1] / "openapi" / "openapi.json",
    config=SchemathesisConfig.from_path(HERE / "schemathesis.toml"),
)


@schema.hook
def filter_query(_context, query) -> bool:
    """An empty list or object leaves no trace in an address, so nobody can object to it."""
    return all(value not in ([], {}) for value in (query or {}).values())


guarded: set[str] = set()
"""Operations that refused a request without a key and one with a wrong key where the same with a good key was
taken."""


# Lines of JSON are no media type that Schemathesis can spell; `tests/importing` has them.
operations = schema.exclude(operation_id="classifyBulk")
usual = settings(suppress_health_check=list(HealthCheck), derandomize=True)


@operations.parametrize()
@settings(usual, max_examples=4, phases=[Phase.generate])
def test_a_few_requests_to_each_operation_are_answered_as_its_document_says(case, live):
    ask(case, live)


@pytest.mark.slow
@operations.parametrize()
@settings(usual, max_examples=100)
def test_the_service_does_what_its_document_says(case, live):
    ask(case, live)


def ask(case, live) -> None:
    operation = case.operation.label
    # A wrong key waits for the next look at the keys, so asking with one after every answer would be all that
    # this test does; and the guard is the operation's, whatever the request holds. Schemathesis's own runner
    # asks once an operation, too.
    shown = [ignored_auth] if operation in guarded else []
    response = case.call_and_validate(
        base_url=live.address, headers=live.authorization, excluded_checks=shown
    )
    if response.status_code < 300:
        guarded.add(operation)
