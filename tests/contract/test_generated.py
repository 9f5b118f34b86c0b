"""Schemathesis over the whole document, against the running service."""

from pathlib import Path

import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.config import SchemathesisConfig

HERE = Path(__file__).parent
# From the committed file, which test_openapi.py holds equal to the served one: reading it needs no running service.
schema = schemathesis.openapi.from_path(
    HERE.parents[1] / "openapi" / "openapi.json", config=SchemathesisConfig.from_path(HERE / "schemathesis.toml")
)


@schema.hook
def filter_query(_context, query) -> bool:
    """An empty list or object leaves no trace in an address, so nobody can object to it."""
    return all(value not in ([], {}) for value in (query or {}).values())


@schema.parametrize()
@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
def test_the_service_does_what_its_document_says(case, live):
    case.call_and_validate(base_url=live.address, headers=live.authorization)
