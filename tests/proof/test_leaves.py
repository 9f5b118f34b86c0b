"""What is sealed of a record, to the byte: a leaf of each kind and format is fixed for ever."""

import json
from datetime import UTC, datetime, timedelta, timezone
from uuid import UUID

import pytest

from coldcase.auditing.sealing import head_members
from coldcase.db.seals import Seal
from coldcase.proof.canonical import canonical_json
from coldcase.proof.decision_columns import StoredDecision
from coldcase.proof.leaves import (
    LEAF_MEMBERS,
    RECORD_KINDS,
    decision_leaf,
    is_as_sent,
    plain_leaf,
)

ONE, TWO = UUID("01a2150e-e3c9-7000-8000-000000000001"), UUID("01a2150e-e3c9-7000-8000-000000000002")
AT = datetime(2026, 3, 2, 17, 40, 0, 123000, timezone(timedelta(hours=1)))
EVEN = datetime(2026, 3, 2, 16, 40, tzinfo=UTC)

DECISION = StoredDecision(
    id=ONE,
    client_id=7,
    recorded_at=AT,
    xid="18446744073709551615",
    idempotency_key='wo-"1"\\\u2028é',
    fingerprint=b"\x01\xff",
    case_text="{}",
    answer_text='{"a":1}',
    cause="moisture",
    status="coded",
    confidence=9706,
    job_ref="Tür\t7",
    circuit=None,
    closed_at=EVEN,
    compressor_type="scroll",
    refrigerant="R-448A",
    rule_table=1,
    engine="1.1.0",
    supersedes=TWO,
    own_words=None,
    origin="live",
    own_code=None,
)
ROWS = {
    "verdict": {
        "id": ONE,
        "decision_id": TWO,
        "client_id": 7,
        "recorded_at": AT,
        "xid": "12",
        "idempotency_key": None,
        "fingerprint": b"\x02",
        "cause": None,
        "not_determinable": True,
        "basis": "teardown",
        "by_key": TWO,
        "by_client_id": 8,
        "person": "bench-7",
        "note": "copper",
        "salt": b"salt",
        "person_sha256": b"\x03",
        "note_sha256": None,
    },
    "rule_table": {
        "version": 3,
        "digest": "sha256:00",
        "document": "{}",
        "based_on": 2,
        "created_at": EVEN,
        "created_by": "starter",
        "note": None,
        "salt": b"salt",
        "created_by_sha256": b"\x04",
        "note_sha256": None,
        "xid": "9",
    },
    "rule_table_event": {
        "id": 5,
        "version": 3,
        "kind": "publish",
        "at": EVEN,
        "by_key": None,
        "person": "p",
        "reason": None,
        "salt": None,
        "person_sha256": b"\x05",
        "reason_sha256": None,
        "xid": "9",
    },
    "audit_event": {
        "id": 6,
        "at": AT,
        "xid": "10",
        "action": "key.created",
        "subject": str(TWO),
        "client_id": None,
        "by_role": "coldcase_owner",
        "by_key": None,
        "person": None,
        "remote": "r",
        "request_id": None,
        "details": '{"a": "ü"}',
        "salt": b"",
        "person_sha256": None,
        "remote_sha256": b"\x06",
    },
}
EMPTY = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"
ANSWER = "015abd7f5cc57a2dd94b7590f04ad8084273905ee33ec5cebeae62276a97f862"
DECISION_1 = (
    f'{{"answer_sha256":"{ANSWER}","case_sha256":"{EMPTY}","cause":"moisture","circuit":null,"client":7,'
    '"closed_at":"2026-03-02T16:40:00Z","compressor_type":"scroll","confidence":9706,"engine":"1.1.0","fingerprint":"01ff",'
    '"id":"01a2150e-e3c9-7000-8000-000000000001","idempotency_key":"wo-\\"1\\"\\\\\u2028é","job_ref":"Tür\\t7","kind":"decision",'
    '"recorded_at":"2026-03-02T16:40:00.123000Z","refrigerant":"R-448A","rule_table":1,"status":"coded",'
    '"supersedes":"01a2150e-e3c9-7000-8000-000000000002","xid":"18446744073709551615"}'
)
RECORD = {
    "verdict": (
        '{"basis":"teardown","by_key":"01a2150e-e3c9-7000-8000-000000000002","cause":null,"client_id":7,'
        '"decision_id":"01a2150e-e3c9-7000-8000-000000000002","fingerprint":"02","id":"01a2150e-e3c9-7000-8000-000000000001",'
        '"idempotency_key":null,"not_determinable":true,"note_sha256":null,"person_sha256":"03",'
        '"recorded_at":"2026-03-02T16:40:00.123000Z","xid":"12"}'
    ),
    "rule_table": (
        '{"based_on":2,"created_at":"2026-03-02T16:40:00Z","created_by_sha256":"04","digest":"sha256:00",'
        f'"document_sha256":"{EMPTY}","note_sha256":null,"version":3,"xid":"9"}}'
    ),
    "rule_table_event": (
        '{"at":"2026-03-02T16:40:00Z","by_key":null,"id":5,"kind":"publish","person_sha256":"05","reason_sha256":null,"version":3,"xid":"9"}'
    ),
    "audit_event": (
        '{"action":"key.created","at":"2026-03-02T16:40:00.123000Z","by_key":null,"by_role":"coldcase_owner","client_id":null,'
        '"details":"{\\"a\\": \\"ü\\"}","id":6,"person_sha256":null,"remote_sha256":"06","request_id":null,'
        '"subject":"01a2150e-e3c9-7000-8000-000000000002","xid":"10"}'
    ),
}


def test_a_decision():
    assert decision_leaf(DECISION, form=1).decode() == DECISION_1
    assert decision_leaf(DECISION).decode() == DECISION_1.replace(
        '"fingerprint":"01ff",', '"fingerprint":"01ff","format":2,'
    )
    for form in (1, 2):
        assert canonical_json(json.loads(decision_leaf(DECISION, form=form))) == decision_leaf(
            DECISION, form=form
        )


@pytest.mark.parametrize("kind", RECORD)
def test_each_other_kind(kind):
    assert plain_leaf(kind, ROWS[kind], form=1).decode() == f'{{"kind":"{kind}","record":{RECORD[kind]}}}'
    second = (
        RECORD[kind].replace('"by_key":"01a', '"by_client_id":8,"by_key":"01a')
        if kind == "verdict"
        else RECORD[kind]
    )
    assert plain_leaf(kind, ROWS[kind]).decode() == f'{{"format":2,"kind":"{kind}","record":{second}}}'


@pytest.mark.parametrize("kind", RECORD)
def test_a_column_that_comes_later_changes_no_leaf(kind):
    assert plain_leaf(kind, {**ROWS[kind], "came_later": 7}) == plain_leaf(kind, ROWS[kind])


def test_every_kind_is_pinned():
    assert {"decision", *RECORD} == set(RECORD_KINDS) == {"decision", *LEAF_MEMBERS}


def test_heads():
    seal = Seal(
        number=2,
        at=EVEN,
        count=3,
        from_xid=3,
        up_to_xid=2**60,
        next_xid=2**61,
        previous=b"\x01",
        root=b"\x02",
        head=b"",
        format=1,
        epoch="7",
    )
    first = (
        '{"at":"2026-03-02T16:40:00Z","count":3,"from_xid":"3","next_xid":"2305843009213693952","number":2,"previous":"01","root":"02",'
        '"up_to_xid":"1152921504606846976"}'
    )
    assert canonical_json(head_members(seal)).decode() == first
    second = head_members(
        Seal(**{name: getattr(seal, name) for name in Seal.__struct_fields__} | {"format": 2})
    )
    assert canonical_json(second).decode() == first.replace('"count":3,', '"count":3,"epoch":"7","format":2,')


def test_whether_something_was_left_out_is_a_member_and_a_sentence_only_where_there_is_none():
    def sent(**answer) -> bool:
        return is_as_sent("{}", b"another", answer)

    said = ["Left out /serial: unknown."]
    assert not sent(notes=[])
    assert sent(notes=said)
    assert not sent(notes=said, left_out=[])
    assert sent(notes=[], left_out=[{"pointer": "/serial"}])
