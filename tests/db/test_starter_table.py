"""The starter table of a release beside the one on record: two truths are told of."""

from functools import partial

import msgspec
import pytest
from structlog.testing import capture_logs

from coldcase.core.rule_table import table_digest
from coldcase.db.transactions import transaction
from coldcase.governing import load_rule_tables
from coldcase.shipped import starter_table

pytestmark = pytest.mark.anyio


async def test_a_starter_table_that_is_not_on_record_is_told_of_at_every_start(service_engine):
    begin = partial(transaction, service_engine)
    with capture_logs() as told:
        rule_tables = await load_rule_tables(begin, starter_table())
        await load_rule_tables(begin, starter_table())
    assert told == []

    causes = {
        **starter_table().causes,
        "moisture": msgspec.structs.replace(starter_table().causes["moisture"], title="Water"),
    }
    newer = msgspec.structs.replace(starter_table(), causes=causes)
    assert (rule_tables.starter, rule_tables.starter_known) == (table_digest(starter_table()), True)
    for _ in range(2):
        with capture_logs() as told:
            assert (await load_rule_tables(begin, newer)).current.digest == rule_tables.current.digest
        assert [(line["log_level"], line["starter"], line["current"]) for line in told] == [
            ("warning", table_digest(newer), rule_tables.current.digest)
        ]
