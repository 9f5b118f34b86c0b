"""What a client sent in its own words stands under the seal of its decision."""

import psycopg
import pytest
from sqlalchemy import text
from sqlalchemy.engine import make_url

from coldcase.auditing import sealing, verifying
from coldcase.db import embedded
from tests.auditing.conftest import plain

pytestmark = pytest.mark.anyio

FORM = {
    "inbound": {
        "members": {"Kind": {"to": "/unit/compressor_type"}},
        "constants": {"/unit/motor": "unknown"},
    }
}
HARMS = (
    "replace(own_words, 'scroll', 'screw')",
    "replace(own_words, '\"form\"', '\"fork\"')",
    "'no kept text'",
    "NULL",
)


async def test_own_words_that_were_changed_are_named(service, postgres):
    caller = await service.caller("decisions:write", "decisions:read", client="Whey Store")
    await caller.put("/v1/crosswalks/form", json=FORM, headers={"If-None-Match": "*"})
    sent = {"headers": {"Content-Profile": "form"}, "json": {"Kind": "scroll"}}
    id_ = (await caller.post("/v1/classifications", **sent)).json()["id"]
    transaction = service.app.state.services.transaction
    async with transaction() as conn:
        await sealing.seal(conn)
    async with transaction() as conn:
        assert (await verifying.verify(conn)).troubles == []
    superuser = postgres.url(embedded.SUPERUSER, make_url(service.owner_url).database)
    for harm in HARMS:
        with psycopg.connect(plain(superuser), autocommit=True) as harming:
            harming.execute("SET session_replication_role = replica")
            [(before,)] = harming.execute("SELECT own_words FROM decision WHERE id = %s", [id_]).fetchall()
            harming.execute(f"UPDATE decision SET own_words = {harm} WHERE id = %s", [id_])
            async with transaction() as conn:
                [found] = (await verifying.verify(conn)).troubles
            replay = (await caller.post(f"/v1/decisions/{id_}/replay")).json()
            harming.execute("UPDATE decision SET own_words = %s WHERE id = %s", [before, id_])
        assert (found.what, str(found.record)) == ("changed", id_)
        assert "own_words" in found.detail
        assert replay["result"] == "corrupt"


async def test_neither_crosswalks_nor_words_can_be_changed_by_owner_or_service(service):
    for statement in (
        "UPDATE crosswalk SET document = '{}'",
        "DELETE FROM crosswalk",
        "TRUNCATE crosswalk",
        "UPDATE decision SET own_words = 'x'",
    ):
        with pytest.raises(Exception, match="append-only"):
            await service.as_owner(lambda conn, asked=statement: conn.execute(text(asked)))
