"""Seals: what is done behind the record's back is named, and nothing is skipped."""

import asyncio
import json

import msgspec
import psycopg
import pytest
from uuid_utils.compat import uuid7

from coldcase.auditing import sealing
from coldcase.proof.canonical import canonical_json
from coldcase.proof.decision_columns import PACKED_COLUMNS, StoredDecision
from coldcase.proof.leaves import decision_leaf
from tests.stored_answers import copy_of, decisions_of, rewriting

pytestmark = pytest.mark.anyio


async def test_an_untouched_record_is_good_and_all_of_it_is_sealed(ledger):
    found = await ledger.verify(expect=ledger.head)

    assert (found.good, found.troubles, found.unsealed, found.seals, found.head) == (
        True,
        [],
        0,
        3,
        ledger.head,
    )
    kinds = dict(ledger.ask("SELECT kind, count(*)::int FROM audit_seal_member GROUP BY kind"))
    # decisions, verdicts, one rule table and its three events, and an event for each: two clients, their keys
    # and verdicts, and what was done to the table
    assert (kinds[0], kinds[1], kinds[2], kinds[3]) == (12, 2, 1, 3)
    assert kinds[4] == ledger.ask("SELECT count(*)::int FROM audit_event")[0][0] == 9
    assert found.records == sum(kinds.values())


OTHER_BYTE = "set_byte(answer_packed, 60, 255 - get_byte(answer_packed, 60))"
HARMS = {
    "a byte of a case": (
        lambda it: [
            f"UPDATE decision SET case_text = replace(case_text, 'scroll', 'scro1l') WHERE id = '{it.ids[0]}'"
        ],
        ["changed"],
        lambda it: (it.ids[0], "case_text"),
    ),
    "a confidence beside the answer": (
        lambda it: [f"UPDATE decision SET confidence = confidence - 1 WHERE id = '{it.ids[1]}'"],
        ["changed"],
        lambda it: (it.ids[1], "confidence"),
    ),
    "a sentence of an answer": (
        lambda it: [rewriting(it.superuser_url, it.ids[1], lambda text: text.replace("o", "0"))],
        ["changed"],
        lambda it: (it.ids[1], "changed"),
    ),
    "a byte of a packed answer": (
        lambda it: [f"UPDATE decision SET answer_packed = {OTHER_BYTE} WHERE id = '{it.ids[1]}'"],
        ["changed"],
        lambda it: (it.ids[1], "answer_text"),
    ),
    "the digest beside a packed answer": (
        lambda it: [f"UPDATE decision SET answer_sha256 = sha256('x') WHERE id = '{it.ids[1]}'"],
        ["changed"],
        lambda it: (it.ids[1], "answer_text"),
    ),
    "the dictionary that a decision names": (
        lambda it: [f"UPDATE decision SET dictionary = NULL WHERE id = '{it.ids[1]}'"],
        ["changed"],
        lambda it: (it.ids[1], "answer_text"),
    ),
    "who a decision belongs to": (
        lambda it: [f"UPDATE decision SET client_id = 2 WHERE id = '{it.ids[2]}'"],
        ["changed"],
        lambda it: (it.ids[2], "changed"),
    ),
    "a verdict": (
        lambda it: [f"UPDATE verdict SET cause = 'acid_carryover' WHERE id = '{it.verdicts[0]}'"],
        ["changed"],
        lambda it: (it.verdicts[0], "verdict"),
    ),
    "the note of a verdict": (
        lambda it: [f"UPDATE verdict SET note = 'nothing to see' WHERE id = '{it.verdicts[1]}'"],
        ["words"],
        lambda it: (it.verdicts[1], "note"),
    ),
    "who established a verdict": (
        lambda it: [f"UPDATE verdict SET established_by = 'lab-8' WHERE id = '{it.verdicts[1]}'"],
        ["words"],
        lambda it: (it.verdicts[1], "established_by"),
    ),
    "when a verdict was established": (
        lambda it: [f"UPDATE verdict SET established_at = now() WHERE id = '{it.verdicts[1]}'"],
        ["words"],
        lambda it: (it.verdicts[1], "established_at"),
    ),
    "who established a verdict, taken away": (
        lambda it: [
            f"UPDATE verdict SET established_by = NULL, established_at = NULL WHERE id = '{it.verdicts[1]}'"
        ],
        ["words"],
        lambda it: (it.verdicts[1], "established_by"),
    ),
    "who established a verdict erased without an event": (
        lambda it: [f"UPDATE verdict SET established_by = 'erased' WHERE id = '{it.verdicts[1]}'"],
        ["erased"],
        lambda it: (None, "1 records of verdict have lost their established_by"),
    ),
    "a note erased without an event": (
        lambda it: [f"UPDATE verdict SET note = 'erased', salt = NULL WHERE id = '{it.verdicts[1]}'"],
        ["erased"],
        lambda it: (None, "1 records of verdict"),
    ),
    "a decision deleted": (
        lambda it: [f"DELETE FROM decision WHERE id = '{it.ids[3]}'"],
        ["missing"],
        lambda it: (it.ids[3], "deleted"),
    ),
    "a verdict deleted": (
        lambda it: [f"DELETE FROM verdict WHERE id = '{it.verdicts[0]}'"],
        ["missing"],
        lambda it: (it.verdicts[0], "deleted"),
    ),
    "an event deleted": (
        lambda it: ["DELETE FROM audit_event WHERE id = 1"],
        ["missing", "inserted"],
        lambda it: (None, "audit_event 1 was deleted"),
    ),
    "a published table": (
        lambda it: ["UPDATE rule_table SET document = replace(document, 'Water', 'Wine')"],
        ["changed"],
        lambda it: (None, "rule_table 1"),
    ),
    "a decision slipped in under an old transaction": (
        lambda it: [copy_of(it, xid="xid")],
        ["inserted"],
        lambda it: (None, "inserted"),
    ),
    "a decision slipped in that says it is of yesterday": (
        lambda it: [copy_of(it, xid="pg_current_xact_id()", recorded_at="recorded_at - interval '1 day'")],
        ["backdated"],
        lambda it: (None, "inserted"),
    ),
    "a decision slipped in under a transaction to come": (
        lambda it: [copy_of(it, xid="'4611686018427387904'", recorded_at="now()")],
        ["inserted"],
        lambda it: (None, "no transaction has its number yet"),
    ),
    "a decision slipped in that says it is of three minutes before the seal": (
        lambda it: [
            copy_of(
                it,
                xid="pg_current_xact_id()",
                recorded_at="(SELECT max(at) FROM audit_seal) - interval '3 minutes'",
            )
        ],
        ["backdated"],
        lambda it: (None, "inserted"),
    ),
    "an event of an erasure that never was": (
        lambda it: [
            (
                "INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), "
                "'words.erased', 'person', 'coldcase_owner',"
                ' \'{"records":{"verdict":1},"words":{"verdict.note":1}}\')'
            )
        ],
        ["erased"],
        lambda it: (None, "0 records of verdict have lost their note, 1 by an event of erasure"),
    ),
    "an archive that never was": (
        lambda it: [
            f"DELETE FROM decision WHERE id = '{it.ids[0]}'",
            (
                "INSERT INTO audit_archive (year, at, count, file_sha256) VALUES (extract(year FROM "
                "now()), now(), 1, sha256('x'))"
            ),
        ],
        ["archive", "missing"],
        lambda it: (it.ids[0], "deleted"),
    ),
    "two records exchanged": (
        lambda it: [
            f"UPDATE decision SET id = '{uuid7()}' WHERE id = '{it.ids[0]}'",
            f"UPDATE decision SET id = '{it.ids[0]}' WHERE id = '{it.ids[1]}'",
        ],
        ["changed", "missing", "inserted"],
        lambda it: (it.ids[0], "changed"),
    ),
    "the order under a seal": (
        lambda it: [
            "UPDATE audit_seal_member SET position = -1 WHERE seal = 1 AND position = 0",
            "UPDATE audit_seal_member SET position = 0 WHERE seal = 1 AND position = 1",
            "UPDATE audit_seal_member SET position = 1 WHERE seal = 1 AND position = -1",
        ],
        ["root"],
        lambda it: (None, "seal 1"),
    ),
    "a member taken from under a seal": (
        lambda it: ["DELETE FROM audit_seal_member WHERE seal = 2 AND position = 1"],
        ["count", "root", "inserted"],
        lambda it: (None, "seal 2"),
    ),
    "a seal's root": (
        lambda it: ["UPDATE audit_seal SET root = sha256('other') WHERE number = 2"],
        ["root", "head"],
        lambda it: (None, "seal 2"),
    ),
    "a seal's head": (
        lambda it: ["UPDATE audit_seal SET head = sha256('other') WHERE number = 1"],
        ["head", "chain"],
        lambda it: (None, "seal 1"),
    ),
    "a seal in the middle deleted": (
        lambda it: ["DELETE FROM audit_seal WHERE number = 2"],
        ["chain"],
        lambda it: (None, "seal 3"),
    ),
}


@pytest.mark.parametrize("harm", HARMS)
async def test_what_is_done_behind_its_back_is_named(ledger, harm):
    statements, whats, named = HARMS[harm]
    ledger.harm(*statements(ledger))

    found = await ledger.verify()

    assert {discrepancy.what for discrepancy in found.troubles} == set(whats)
    record, words = named(ledger)
    assert any(
        words in discrepancy.detail and record in (None, discrepancy.record) for discrepancy in found.troubles
    ), found.troubles
    assert found.wrong == len(found.troubles)


async def test_a_chain_that_was_cut_short_does_not_have_the_head_that_was_kept(ledger):
    ledger.harm("DELETE FROM audit_seal_member WHERE seal = 3", "DELETE FROM audit_seal WHERE number = 3")

    assert {discrepancy.what for discrepancy in (await ledger.verify(expect=ledger.head)).troubles} == {
        "expected"
    }
    cut = await ledger.verify()
    assert cut.good
    assert cut.unsealed > 0


async def test_a_record_that_was_changed_and_sealed_anew_does_not_have_the_head_that_was_kept(ledger):
    ledger.harm(
        f"UPDATE decision SET confidence = 1 WHERE id = '{ledger.ids[-1]}'",
        "DELETE FROM audit_seal_member",
        "DELETE FROM audit_seal",
    )
    await ledger.seal()

    assert {discrepancy.what for discrepancy in (await ledger.verify(expect=ledger.head)).troubles} == {
        "expected"
    }


async def test_an_older_head_still_stands_for_the_beginning_of_the_chain(ledger):
    [(first,)] = ledger.ask("SELECT encode(head, 'hex') FROM audit_seal WHERE number = 1")
    assert (await ledger.verify(expect=first)).good


def columns_of(ledger) -> str:
    return ", ".join(
        name for name in (*StoredDecision.__struct_fields__, *PACKED_COLUMNS) if name not in ("id", "xid")
    )


async def test_a_transaction_held_open_across_seals_is_sealed_later_and_never_skipped(ledger):
    def insert(conn) -> str:
        id_ = uuid7()
        columns = columns_of(ledger)
        conn.execute(
            f"INSERT INTO decision (id, {columns}) SELECT '{id_}', {columns} FROM decision WHERE id = "
            f"'{ledger.ids[0]}'"
        )
        return str(id_)

    with (
        psycopg.connect(ledger.superuser_url) as slow,
        psycopg.connect(ledger.superuser_url, autocommit=True) as quick,
    ):
        early = insert(quick)
        held = insert(slow)
        after = insert(quick)
        first = await ledger.seal()
        second = await ledger.seal()
        slow.commit()
    third = await ledger.seal()
    last = await ledger.seal()

    members = dict(ledger.ask("SELECT record::text, seal FROM audit_seal_member WHERE seal > 3 AND kind = 0"))
    assert members == {early: first.number, held: third.number, after: third.number}
    assert (first.count, second, third.count, last) == (1, None, 2, None)
    found = await ledger.verify()
    assert (found.good, found.unsealed) == (True, 0)


async def test_a_transaction_that_is_undone_leaves_nothing_to_seal(ledger):
    with psycopg.connect(ledger.superuser_url) as slow:
        slow.execute("SELECT pg_current_xact_id()")
        slow.rollback()
    assert await ledger.seal() is None


async def test_one_replica_seals_at_a_time(ledger):
    ledger.harm(copy_of(ledger, xid="pg_current_xact_id()"))
    async with ledger.engine.connect() as one, asyncio.timeout(20):
        made = await sealing.seal(one)
        assert await ledger.seal() is None
        await one.commit()

    assert ledger.ask("SELECT max(number) FROM audit_seal") == [(made.number,)]
    assert await ledger.seal() is None


async def test_leaves_are_canonical_json(ledger):
    for row in await decisions_of(ledger.engine):
        odd = msgspec.structs.replace(row, job_ref='Tür "7"\\\u2028é\u20ac', circuit="\U0001f9ca/rack\x7f")
        for leaf in (decision_leaf(row), decision_leaf(odd)):
            assert canonical_json(json.loads(leaf)) == leaf
