"""What a restore without the server's roles leaves out, made anew: roles, their membership, policies and
grants.

Nothing that is there is changed: what somebody widened is for `coldcase verify` to name.
"""

from collections.abc import Iterator
from typing import Any

import msgspec
from sqlalchemy import Connection, text

from coldcase.db import guards
from coldcase.db.guards import AUDITOR_ROLE, SERVICE_ROLE, GuardDifference

# Roles belong to the whole server: another database of it may have made them already, or be making them now;
# or its administrator has, because the owner may not.
MAKE_ROLES = f"""
DO $$
DECLARE
    role record;
BEGIN
    FOR role IN VALUES ('{SERVICE_ROLE}', 'LOGIN'), ('{AUDITOR_ROLE}', 'NOLOGIN') LOOP
        CONTINUE WHEN EXISTS (SELECT FROM pg_roles WHERE rolname = role.column1);
        BEGIN
            EXECUTE format('CREATE ROLE %I %s', role.column1, role.column2);
        EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
        END;
    END LOOP;
END $$
"""

# A database's own rights are in no dump of it.
NO_TEMPORARY_TABLES = """
DO $$
BEGIN
    EXECUTE format('REVOKE TEMPORARY ON DATABASE %I FROM PUBLIC', current_database());
EXCEPTION WHEN insufficient_privilege THEN NULL;
END $$
"""

TELL = """
INSERT INTO audit_event (at, action, subject, by_role, details) VALUES (now(), 'guards.mended', 'record',
    session_user, :details)
"""

POLICY_COMMANDS = {"r": "SELECT", "a": "INSERT", "w": "UPDATE", "d": "DELETE", "*": "ALL"}


def make_roles(conn: Connection) -> None:
    """Makes the service's role and the auditor's where they are missing: policies and grants name them."""
    conn.execute(text(MAKE_ROLES))


def mend(conn: Connection) -> list[str]:
    """On a database at this release's revision, makes what is missing; by name what was made, of which an
    event tells.
    """
    conn.execute(text(NO_TEMPORARY_TABLES))
    conn.execute(guards.PATH)
    made = []
    for one in guards.differences(
        guards.expected_guards().guards, guards.guards_found(conn.execute(guards.guards_query()))
    ):
        for statement in statements(one):
            conn.exec_driver_sql(statement)
            made.append(f"{one.kind} {one.name}")
    made = list(dict.fromkeys(made))
    if made:
        conn.execute(text(TELL), {"details": msgspec.json.encode({"made": made}).decode()})
    return made


def statements(one: GuardDifference) -> Iterator[str]:
    """What makes a missing policy, grant or membership, if it is one of these."""
    if one.wanted is None:
        return
    value, name = one.wanted.value, one.name
    match one.kind:
        case "policy" if one.found is None:
            yield _policy(name, value)
        case "grant":
            role, _, place = name.partition(" on ")
            there = [] if one.found is None else one.found.value
            # The privileges on columns stand in brackets, so each goes by itself.
            yield from (
                f"GRANT {privilege} ON {place} TO {role}" for privilege in value if privilege not in there
            )
        case "function" if one.found is not None:
            there = one.found.value["execute"]
            yield from (
                f"GRANT EXECUTE ON FUNCTION {name} TO {role}"
                for role in value["execute"]
                if role not in there
            )
            if "PUBLIC" in there and "PUBLIC" not in value["execute"]:
                # Which a function has by nature: a restore that could not grant took nothing away either.
                yield f"REVOKE EXECUTE ON FUNCTION {name} FROM PUBLIC"
        case "membership" if one.found is None:
            member, _, role = name.partition(" in ")
            yield (
                f"GRANT {role} TO {member} WITH INHERIT {value['inherit']}, SET {value['set']}, "
                f"ADMIN {value['admin']}"
            )


def _policy(name: str, value: Any) -> str:
    policy, _, table = name.partition(" on ")
    kind = "PERMISSIVE" if value["permissive"] else "RESTRICTIVE"
    statement = (
        f"CREATE POLICY {policy} ON {table} AS {kind} FOR {POLICY_COMMANDS[value['command']]} "
        f"TO {', '.join(value['roles'])}"
    )
    statement += f" USING ({value['using']})" if value["using"] is not None else ""
    return statement + (f" WITH CHECK ({value['check']})" if value["check"] is not None else "")
