"""Erasure, by the commands: words go out with an event, and the chain holds."""

import asyncio
import io
import json

import psycopg
import pytest
from uuid_utils.compat import uuid7

from coldcase.auditing import archiving
from coldcase.cli import main
from coldcase.db.events import Actor
from coldcase.proof.verdict_prints import verdict_fingerprint


def test_what_was_written_in_a_verdict_is_erased_with_an_event_and_no_seal_breaks(ledger, command):
    one = str(ledger.verdicts[0])
    assert command("erase", "--verdict-words", one, "--yes")[0] == 0

    assert ledger.ask(f"SELECT note FROM verdict WHERE id = '{one}'") == [("erased",)]
    assert ledger.ask(f"SELECT note FROM verdict WHERE id = '{ledger.verdicts[1]}'") == [
        ("copper on the journals",)
    ]
    code, out, told = command("verify", "--expect", ledger.head)
    assert (code, out, "1 with erased words" in told) == (0, "", True)
    assert command("erase", "--verdict-words", one, "--yes")[0] == 1


def print_of(ledger, note: str) -> bytes:
    [(decision,)] = ledger.ask(f"SELECT decision_id FROM verdict WHERE id = '{ledger.verdicts[0]}'")
    said = {"cause": "moisture", "not_determinable": False, "basis": "teardown", "note": note}
    return verdict_fingerprint(decision, {**said, "established_by": None, "established_at": None})


@pytest.fixture
def judged(ledger, capsys):
    """Verdicts of two people, each with a note, and an API key with one's label; the ids of the verdicts by
    person."""
    create = [
        "keys",
        "create",
        "--client",
        "Cheese Store",
        "--scope",
        "preview",
        "--owner-url",
        ledger.database.owner_url,
    ]
    assert main([*create, "--person", "bench-7"], {}) == 0
    capsys.readouterr()
    made = {}
    for person in ("bench-7", "bench-8"):
        made[person] = str(uuid7())
        columns = "decision_id, client_id, recorded_at, fingerprint, cause, not_determinable, basis, by_key"
        with psycopg.connect(ledger.database.owner_url.replace("+psycopg", ""), autocommit=True) as conn:
            conn.execute("SELECT set_config('coldcase.reads_all', 'on', false)")
            conn.execute(
                "SELECT set_config('coldcase.actor', %s, false)",
                [json.dumps({"person": person, "remote": "10.0.0.7"})],
            )
            conn.execute(
                f"INSERT INTO verdict (id, {columns}, person, note) SELECT '{made[person]}', "
                f"{columns.replace('fingerprint', '%s')}, '{person}', 'of {person}'"
                f" FROM verdict WHERE id = '{ledger.verdicts[0]}'",
                [print_of(ledger, f"of {person}")],
            )
    asyncio.run(ledger.seal())
    return made


LABELS = (
    ("api_key", "person"),
    ("audit_event", "person"),
    ("verdict", "person"),
    ("rule_table_event", "person"),
    ("rule_table", "created_by"),
)


def test_a_person_s_label_is_erased_wherever_it_stands_and_what_they_wrote_stays_proven(
    ledger, command, judged
):
    code, _, told = command("erase", "--person", "bench-7", "--yes")

    assert (code, "erased: 1 verdict.person, 1 audit_event.person, 1 api_key.person" in told) == (0, True)
    for table, column in LABELS:
        assert ledger.ask(f"SELECT count(*)::int FROM {table} WHERE {column} = 'bench-7'") == [(0,)]
    assert ledger.ask(f"SELECT person, note FROM verdict WHERE id = '{judged['bench-7']}'") == [
        ("erased", "of bench-7")
    ]
    assert ledger.ask(f"SELECT person FROM verdict WHERE id = '{judged['bench-8']}'") == [("bench-8",)]
    assert ledger.ask("SELECT DISTINCT remote FROM audit_event WHERE person = 'erased'") == [("10.0.0.7",)]
    assert "bench-7" not in str(ledger.ask("SELECT * FROM audit_event"))
    assert command("verify")[:2] == (0, "")
    ledger.harm(f"UPDATE verdict SET note = 'of nobody' WHERE id = '{judged['bench-7']}'")
    assert command("verify")[1] == f"words: note of verdict {judged['bench-7']} changed\n"


def test_who_established_a_verdict_is_erased_with_the_label_and_an_event(ledger, command):
    code, _, told = command("erase", "--person", "lab-7", "--yes")

    assert (code, "erased: 2 verdict.established_by" in told) == (0, True)
    said = "SELECT DISTINCT established_by, note FROM verdict"
    assert ledger.ask(said) == [("erased", "copper on the journals")]
    assert command("verify")[:2] == (0, "")
    assert command("erase", "--person", "lab-7", "--yes")[0] == 1


def test_the_addresses_beside_a_label_go_where_that_is_asked(ledger, command, judged):
    assert command("erase", "--person", "bench-7", "--addresses", "--yes")[0] == 0

    assert ledger.ask(f"SELECT person, remote FROM audit_event WHERE subject = '{judged['bench-7']}'") == [
        ("erased", "erased")
    ]
    assert ledger.ask("SELECT remote FROM audit_event WHERE person = 'bench-8'") == [("10.0.0.7",)]
    assert command("verify")[:2] == (0, "")
    assert command("erase", "--verdict-words", judged["bench-8"], "--addresses", "--yes")[0] == 2


def test_label_and_note_of_a_verdict_can_go_one_after_the_other(ledger, command, judged):
    assert command("erase", "--verdict-words", judged["bench-7"], "--yes")[0] == 0
    assert command("erase", "--person", "bench-7", "--yes")[0] == 0

    assert ledger.ask(f"SELECT person, note FROM verdict WHERE id = '{judged['bench-7']}'") == [
        ("erased", "erased")
    ]
    assert command("verify")[:2] == (0, "")


def test_a_word_lost_beside_one_that_was_erased_by_an_event_is_named(ledger, command, judged):
    command("erase", "--person", "bench-7", "--yes")
    ledger.harm(
        "UPDATE verdict SET note = 'erased', salt = decode(repeat('00', 32), 'hex') WHERE id = "
        f"'{judged['bench-7']}'"
    )

    assert (
        command("verify")[1]
        == "erased: 1 records of verdict have lost their note, 0 by an event of erasure\n"
    )


def test_a_row_of_the_first_release_loses_its_words_together(ledger, command, judged):
    one = judged["bench-7"]
    first = (
        "sha256(salt || convert_to('person=bench-7', 'UTF8')), sha256(salt || convert_to('note=of "
        "bench-7', 'UTF8'))"
    )
    ledger.harm(
        f"UPDATE verdict SET salt = uuid_send(gen_random_uuid()) WHERE id = '{one}'",
        f"UPDATE verdict SET (person_sha256, note_sha256) = (SELECT {first}) WHERE id = '{one}'",
        "DELETE FROM audit_seal_member",
        "DELETE FROM audit_seal",
    )
    asyncio.run(ledger.seal())
    assert command("verify")[:2] == (0, "")

    code, _, told = command("erase", "--person", "bench-7", "--yes")

    assert (code, "1 of these records are of an early release: their other words go with them" in told) == (
        0,
        True,
    )
    assert ledger.ask(f"SELECT person, note, salt FROM verdict WHERE id = '{one}'") == [
        ("erased", "erased", None)
    ]
    assert command("verify")[:2] == (0, "")


def test_a_dry_run_says_what_would_go_and_takes_nothing(ledger, command, judged):
    code, _, told = command("erase", "--person", "bench-7", "--dry-run", "--yes")

    assert (code, "would be erased: 1 verdict.person, 1 audit_event.person, 1 api_key.person" in told) == (
        0,
        True,
    )
    assert ledger.ask(f"SELECT person FROM verdict WHERE id = '{judged['bench-7']}'") == [("bench-7",)]
    assert ledger.ask("SELECT count(*)::int FROM audit_event WHERE action = 'words.erased'") == [(0,)]
    assert command("erase", "--person", "nobody", "--dry-run")[0] == 1


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("said", [("y\n", 0, "erased"), ("\n", 1, "bench-7"), ("", 1, "bench-7")])
def test_somebody_at_a_terminal_is_asked(ledger, command, judged, monkeypatch, said):
    typed, code, person = said
    monkeypatch.setattr("sys.stdin", Terminal(typed))
    found, _, told = command("erase", "--person", "bench-7")

    assert (found, "would be erased: 1 verdict.person" in told, "Erase them for good? [y/N]" in told) == (
        code,
        True,
        True,
    )
    assert ledger.ask(f"SELECT person FROM verdict WHERE id = '{judged['bench-7']}'") == [(person,)]


def test_where_nobody_can_be_asked_nothing_is_erased(ledger, command, judged, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    code, _, told = command("erase", "--person", "bench-7")
    assert (code, "say --yes" in told) == (2, True)
    assert ledger.ask(f"SELECT person FROM verdict WHERE id = '{judged['bench-7']}'") == [("bench-7",)]


@pytest.mark.parametrize("both", [{}, {"person": "bench-7", "verdict": uuid7()}])
def test_an_erasure_is_of_a_person_or_of_a_verdict(ledger, both):
    async def erase():
        async with ledger.engine.begin() as conn:
            await archiving.erase_personal_texts(conn, **both, actor=Actor())

    with pytest.raises(ValueError, match="one of the two"):
        asyncio.run(erase())
