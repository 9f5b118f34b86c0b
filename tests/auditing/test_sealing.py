"""How the database seals: formats, clocks, who may, who is held up, and what the owner may call known."""

import asyncio
from contextlib import asynccontextmanager
from functools import partial
from uuid import UUID

import msgspec
import psycopg
import pytest
import structlog
from uuid_utils.compat import uuid7

from coldcase.auditing import sealing
from coldcase.auditing.proving import Trees
from coldcase.auditing.sealing import BEFORE_FIRST_SEAL, Sealer, head_members, record_leaf
from coldcase.db import decisions, seals, verification
from coldcase.db.seals import Seal
from coldcase.db.transactions import transaction
from coldcase.proof import merkle
from coldcase.proof.leaves import RECORD_KINDS, decision_leaf
from tests.auditing.conftest import plain
from tests.auditing.test_seals import copy_of
from tests.stored_answers import COPIED, decisions_of

pytestmark = pytest.mark.anyio
NOW = "pg_current_xact_id()"


def young(ledger, recorded_at: str = "now()") -> str:
    """One more decision, of this moment."""
    return copy_of(ledger, xid=NOW, recorded_at=recorded_at)


async def seal_as_the_first_releases_did(ledger) -> Seal:
    """One seal of format 1 over all that is there, in place of the seals that are there."""
    ledger.harm("DELETE FROM audit_seal_member", "DELETE FROM audit_seal")
    names = {
        kind: [
            row[0]
            for row in ledger.ask(
                f"SELECT {seals.member_id_sql(kind)} FROM {kind} AS r ORDER BY {seals.ID[kind]}"
            )
        ]
        for kind in RECORD_KINDS
    }
    tree, inserted = merkle.Tree(), []
    async with ledger.engine.connect() as conn, seals.as_auditor(conn):
        for place, kind in enumerate(RECORD_KINDS):
            for name, row in sorted(
                await verification.records(conn, kind, names[kind]),
                key=lambda item: names[kind].index(item[0]),
            ):
                leaf = merkle.leaf_hash(record_leaf(kind, row, 1))
                inserted.append(f"(1, {tree.count}, {place}, '{name}', '\\x{leaf.hex()}')")
                tree.add(leaf)
    [(end, epoch, at)] = ledger.ask(
        "SELECT pg_snapshot_xmin(pg_current_snapshot())::text, record_epoch(), now()"
    )
    xids = {"from_xid": 3, "up_to_xid": int(end), "next_xid": int(end)}
    made = Seal(
        number=1,
        at=at,
        count=tree.count,
        previous=BEFORE_FIRST_SEAL,
        root=tree.root(),
        head=b"",
        format=1,
        epoch=epoch,
        **xids,
    )
    made = msgspec.structs.replace(made, head=merkle.head(head_members(made)))
    ledger.harm(
        f"INSERT INTO audit_seal_member (seal, position, kind, record, leaf) VALUES {', '.join(inserted)}",
        "INSERT INTO audit_seal (number, at, count, from_xid, up_to_xid, next_xid, previous, root, "
        "head, epoch) VALUES"
        f" (1, '{at.isoformat()}', {made.count}, '3', '{end}', '{end}', '\\x{made.previous.hex()}', "
        f"'\\x{made.root.hex()}',"
        f" '\\x{made.head.hex()}', '{epoch}')",
    )
    return made


async def test_what_was_sealed_in_the_first_format_goes_on_and_new_seals_follow_it(ledger):
    first = await seal_as_the_first_releases_did(ledger)
    ledger.harm(young(ledger))
    second = await ledger.seal()

    assert (second.number, second.previous, second.format) == (2, first.head, 2)
    found = await ledger.verify(expect=first.head.hex())
    assert (found.good, found.seals, found.records, found.epochs) == (True, 2, first.count + 1, 1)

    ledger.harm(f"UPDATE decision SET status = 'provisional' WHERE id = '{ledger.ids[1]}'")
    assert [(discrepancy.what, discrepancy.record) for discrepancy in (await ledger.verify()).troubles] == [
        ("changed", ledger.ids[1])
    ]


async def test_a_decision_under_a_seal_of_the_first_format_is_still_proven(ledger):
    first = await seal_as_the_first_releases_did(ledger)
    async with ledger.engine.begin() as conn:
        await decisions.view_as(conn, 1)
        proof = await sealing.inclusion(conn, ledger.ids[2], Trees())
    assert (proof.head, "format" in proof.leaf) == (first.head.hex(), False)


@pytest.mark.parametrize("change", ["format = 1", "epoch = 'another'"])
async def test_what_a_seal_says_of_its_making_is_under_its_head(ledger, change):
    ledger.harm(f"UPDATE audit_seal SET {change} WHERE number = 2")
    assert "head" in {discrepancy.what for discrepancy in (await ledger.verify()).troubles}


ODD = {
    "idempotency_key": 'wo-"1"\\/',
    "job_ref": "Tür\t\n\r\b\f\x01\x1f\x7f",
    "circuit": "\U0001f9ca\u2028\uffff",
    "refrigerant": "",
}


async def test_the_database_and_the_verifier_make_the_same_leaf_of_any_text_and_time(ledger):
    ledger.harm(young(ledger))
    [(id_,)] = ledger.ask("SELECT id FROM decision ORDER BY xid DESC LIMIT 1")
    times = "recorded_at = date_trunc('second', now()), closed_at = '0099-01-02T03:04:05.000006+05:30'"
    with psycopg.connect(ledger.superuser_url, autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")
        columns = ", ".join(f"{name} = %s" for name in ODD)
        conn.execute(f"UPDATE decision SET {columns}, {times} WHERE id = %s", [*ODD.values(), id_])
    await ledger.seal()
    [(leaf,)] = ledger.ask(f"SELECT leaf FROM audit_seal_member WHERE record = '{id_}'")
    [row] = await decisions_of(ledger.engine, f"id = '{id_}'")

    assert leaf == merkle.leaf_hash(decision_leaf(row))
    assert (await ledger.verify()).good


@pytest.mark.parametrize("count", [1, 2, 3, 7, 8, 100])
async def test_the_database_makes_the_root_of_rfc_9162(ledger, count):
    leaves = [merkle.leaf_hash(bytes([number])) for number in range(count)]
    made = ", ".join(f"'\\x{leaf.hex()}'::bytea" for leaf in leaves)
    assert ledger.ask(f"SELECT merkle_root(ARRAY[{made}])") == [(merkle.root(leaves),)]


@pytest.mark.parametrize("role", ["coldcase_service", "coldcase_auditor"])
@pytest.mark.parametrize(
    "attempt",
    [
        (
            "INSERT INTO audit_seal (number, at, count, from_xid, up_to_xid, next_xid, previous, "
            "root, head, epoch)"
            " VALUES (9, now(), 0, '3', '4', '5', '', '', '', '7')"
        ),
        (
            "INSERT INTO audit_seal_member (seal, position, kind, record, leaf) VALUES (9, 0, 0, "
            "gen_random_uuid(), '')"
        ),
        "BEGIN; LOCK TABLE audit_seal IN SHARE ROW EXCLUSIVE MODE",
        "SELECT * FROM unsealed_leaves('3', '9')",
    ],
)
async def test_no_role_of_the_service_writes_a_seal_or_holds_its_turn(ledger, role, attempt):
    with psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn:
        conn.execute(f"SET ROLE {role}")
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            conn.execute(attempt)


@pytest.mark.parametrize("wrong", ["2 minutes", "-2 minutes"])
@pytest.mark.parametrize("table", ["decision", "verdict"])
async def test_the_service_s_role_records_at_the_database_s_time_only(ledger, table, wrong):
    columns = {
        "decision": (
            (
                f"client_id, fingerprint, case_text, {COPIED}, cause, status, confidence, "
                "compressor_type, rule_table, engine"
            ),
            (
                f"client_id, fingerprint, case_text, {COPIED}, cause, status, confidence, "
                "compressor_type, rule_table, engine"
            ),
        ),
        "verdict": ("decision_id, client_id, fingerprint, cause, not_determinable, basis",) * 2,
    }[table]
    with psycopg.connect(plain(ledger.database.service_url), autocommit=True) as conn:
        conn.execute("SET coldcase.reads_all = 'on'")
        statement = (
            f"INSERT INTO {table} (id, recorded_at, {columns[0]}) SELECT %s, now() + "
            f"%s::interval, {columns[1]} FROM {table} LIMIT 1"
        )
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            conn.execute(statement, [uuid7(), wrong])
        conn.execute(statement, [uuid7(), "1 second"])


async def test_who_holds_the_lock_of_earlier_releases_holds_up_no_seal(ledger):
    ledger.harm(young(ledger))
    with psycopg.connect(plain(ledger.database.service_url)) as other:
        other.execute("SELECT pg_advisory_lock(hashtext('coldcase seal'))")
        assert (await ledger.seal()).count == 1


def sealer(ledger, *, seconds: float = 3600) -> Sealer:
    return Sealer(partial(transaction, ledger.engine), seconds=seconds)


async def test_a_service_seals_at_its_start_and_once_more_at_its_end(ledger):
    ledger.harm(young(ledger))
    ended = []

    @asynccontextmanager
    async def counted():
        async with transaction(ledger.engine) as conn:
            yield conn
        ended.append(None)

    one = Sealer(counted, seconds=3600)
    with structlog.testing.capture_logs() as said:
        await one.start()
        async with asyncio.timeout(30):
            # One that seals, one that finds nothing more, one that looks; what comes later is the last
            # seal's.
            while len(ended) < 3:
                await asyncio.sleep(0.02)
        ledger.harm(young(ledger))
        await one.close()

    assert [(line["event"], line["seal"], line["count"]) for line in said] == [
        ("sealed", 4, 1),
        ("sealed", 5, 1),
    ]
    [(head, at)] = ledger.ask("SELECT encode(head, 'hex'), at FROM audit_seal ORDER BY number DESC LIMIT 1")
    assert (said[-1]["head"], one.last_head, one.last_sealed_at) == (head, head, at)
    assert one.oldest_unsealed_s is None
    assert (await ledger.verify()).unsealed == 0


async def test_a_service_that_stops_while_another_seals_seals_after_it(ledger):
    one = sealer(ledger)
    ledger.harm(young(ledger))
    with psycopg.connect(ledger.superuser_url) as other:
        other.execute("LOCK TABLE audit_seal IN SHARE ROW EXCLUSIVE MODE")
        await one.start()
        closing = asyncio.create_task(one.close())
        await asyncio.sleep(0.3)
        other.rollback()
        await closing
    assert one.oldest_unsealed_s is None
    assert (await ledger.verify()).unsealed == 0


async def test_a_record_that_waits_too_long_for_a_seal_is_a_warning(ledger):
    ledger.harm(young(ledger, "now() - interval '10 minutes'"))
    one = sealer(ledger, seconds=1)
    with psycopg.connect(ledger.superuser_url) as other, structlog.testing.capture_logs() as said:
        other.execute("LOCK TABLE audit_seal IN SHARE ROW EXCLUSIVE MODE")
        await one._seal_all()
        assert one.oldest_unsealed_s == pytest.approx(600, abs=60)
        other.rollback()
        await one._seal_all()
    assert [(line["event"], line["log_level"]) for line in said] == [
        ("sealing is overdue", "warning"),
        ("sealed", "info"),
    ]
    assert one.oldest_unsealed_s is None


async def test_no_seal_is_older_than_the_one_before_it(ledger):
    """As after a day on which the database's clock was wrong."""
    ledger.harm("UPDATE audit_seal SET at = at + interval '1 day' WHERE number = 3")
    [(ahead,)] = ledger.ask("SELECT at FROM audit_seal WHERE number = 3")
    ledger.harm(young(ledger))
    assert (await ledger.seal()).at == ahead


async def reseal(ledger, *, ahead: str) -> None:
    """Everything under one seal that was made by a clock so far ahead."""
    await seal_as_the_first_releases_did(ledger)
    [seal] = [one async for one in _all(ledger)]
    made = msgspec.structs.replace(seal, at=ledger.ask(f"SELECT now() + interval '{ahead}'")[0][0])
    ledger.harm(
        f"UPDATE audit_seal SET at = '{made.at.isoformat()}', head = "
        f"'\\x{merkle.head(head_members(made)).hex()}'"
    )


async def _all(ledger):
    async with ledger.engine.begin() as conn, seals.as_auditor(conn):
        for one in await seals.list_seals_after(conn):
            yield one


async def test_a_day_with_a_wrong_clock_can_be_acknowledged_and_anything_else_still_rings(ledger, command):
    await reseal(ledger, ahead="1 day")
    ledger.harm(*[young(ledger) for _ in range(3)])
    code, out, _ = await asyncio.to_thread(command, "verify")
    assert (code, out.count("backdated: decision")) == (1, 3)
    await ledger.seal()
    assert (await asyncio.to_thread(command, "verify"))[0] == 1

    code, out, told = await asyncio.to_thread(command, "verify", "--acknowledge", "the clock of 26 November")

    assert (code, out, "3 troubles are acknowledged, under a seal" in told) == (0, "", True)
    code, out, told = await asyncio.to_thread(command, "verify")
    assert (code, out, "3 troubles acknowledged on" in told, "the clock of 26 November" in told) == (
        0,
        "",
        True,
        True,
    )
    ledger.harm(young(ledger))
    assert (await asyncio.to_thread(command, "verify"))[1].count("backdated: decision") == 1
    [(one,)] = ledger.ask("SELECT id FROM decision ORDER BY xid DESC, id LIMIT 1 OFFSET 1")
    ledger.harm(f"UPDATE decision SET cause = 'acid_carryover' WHERE id = '{one}'")
    assert f"changed: decision {one} was changed" in (await asyncio.to_thread(command, "verify"))[1]


async def test_an_acknowledgement_counts_under_a_seal_only(ledger, command):
    ledger.harm(f"DELETE FROM decision WHERE id = '{ledger.ids[0]}'")
    found = await ledger.verify()
    digest = found.troubles[0].digest()
    ledger.harm(
        "INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), "
        "'record.acknowledged', 'record', 'x',"
        f' \'{{"reason": "forged", "troubles": ["{digest}"]}}\')'
    )
    assert (await asyncio.to_thread(command, "verify"))[0] == 1


@pytest.mark.parametrize("expect", [(), ("--expect", "00" * 32)])
async def test_nothing_and_a_chain_without_the_expected_head_cannot_be_acknowledged(ledger, command, expect):
    code, _, told = await asyncio.to_thread(command, "verify", "--acknowledge", "nothing", *expect)
    assert (code, "acknowledged" in told) == (1, True)
    assert ledger.ask("SELECT count(*)::int FROM audit_event WHERE action = 'record.acknowledged'") == [(0,)]


async def test_verification_writes_nothing_and_reads_one_moment(ledger):
    async with ledger.engine.begin() as conn:
        await verification.begin(conn)
        await conn.exec_driver_sql("SET LOCAL ROLE coldcase_auditor")
        before = await conn.exec_driver_sql("SELECT count(*) FROM decision")
        ledger.harm(young(ledger))
        after = await conn.exec_driver_sql("SELECT count(*) FROM decision")
        assert before.scalar() == after.scalar()
        with pytest.raises(Exception, match="read-only transaction"):
            await conn.exec_driver_sql("INSERT INTO decision (id) VALUES (gen_random_uuid())")


async def test_a_deleted_record_is_told_to_whom_it_belonged(ledger):
    ledger.harm(
        f"DELETE FROM decision WHERE id = '{ledger.ids[0]}'",
        f"DELETE FROM verdict WHERE id = '{ledger.verdicts[1]}'",
    )
    told = {discrepancy.record: discrepancy.client_id for discrepancy in (await ledger.verify()).troubles}
    assert told == {UUID(str(ledger.ids[0])): 1, UUID(str(ledger.verdicts[1])): 2}
