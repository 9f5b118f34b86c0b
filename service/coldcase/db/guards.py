"""What guards the record in the database itself: triggers, policies, grants, functions, roles; as they are
and as this release has them.

`guards.json` is what the migrations of this release leave; `python -m tests.guards` writes it, a test holds
it to a fresh database.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib.resources import files
from typing import Any

import msgspec
from sqlalchemy import TextClause, bindparam, text
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db.tables import metadata

SERVICE_ROLE, AUDITOR_ROLE = "coldcase_service", "coldcase_auditor"
ANY_PARTITION = "decision_year"
"""What stands for each yearly partition of decisions: all are guarded alike."""

# Names are shown as the tables' own schema makes them, whatever the session's search_path is.
PATH = text("SELECT set_config('search_path', 'public', true)")

FOUND = r"""
WITH ours AS (
    SELECT class.oid, class.relname::text AS real, class.relacl, class.relowner, class.relrowsecurity,
        class.relforcerowsecurity,
           CASE WHEN part.inhparent IS NULL THEN class.relname::text ELSE :partition END AS name
    FROM pg_class AS class LEFT JOIN pg_inherits AS part ON part.inhrelid = class.oid
    WHERE class.relkind IN ('r', 'p') AND class.relnamespace = 'public'::regnamespace
      AND (class.relname = ANY(:tables) OR part.inhparent = to_regclass('public.decision'))
),
watched AS (
    SELECT oid, rolname::text AS name FROM pg_roles WHERE rolname = ANY(:roles) UNION ALL SELECT 0, 'PUBLIC'
),
granted AS (
    SELECT real, name, grantee, privilege_type || CASE WHEN is_grantable THEN ' WITH GRANT OPTION'
        ELSE '' END AS privilege
    FROM ours CROSS JOIN LATERAL aclexplode(relacl)
    UNION ALL
    SELECT real, name, grantee, privilege_type || ' (' || string_agg(attname, ', ' ORDER BY attname) || ')'
        || CASE WHEN is_grantable THEN ' WITH GRANT OPTION' ELSE '' END
    FROM ours JOIN pg_attribute ON attrelid = ours.oid AND NOT attisdropped
        CROSS JOIN LATERAL aclexplode(attacl)
    GROUP BY real, name, grantee, privilege_type, is_grantable
)
SELECT 'table' AS kind, real, name, name AS of, jsonb_build_object('row_security', relrowsecurity, 'forced',
    relforcerowsecurity,
    'owned_by_the_service', relowner IN (SELECT oid FROM watched)) AS value
FROM ours
UNION ALL
SELECT 'trigger', real, tgname || ' on ' || name, name,
    jsonb_build_object('definition', replace(pg_get_triggerdef(pg_trigger.oid), real, name),
        'enabled', tgenabled::text)
FROM pg_trigger JOIN ours ON tgrelid = ours.oid WHERE NOT tgisinternal
UNION ALL
SELECT 'trigger', real, 'constraint on ' || name, name, jsonb_build_object('enabled', min(tgenabled::text))
FROM pg_trigger JOIN ours ON tgrelid = ours.oid WHERE tgisinternal AND tgenabled <> 'O' GROUP BY real, name
UNION ALL
SELECT 'policy', real, polname || ' on ' || name, name, jsonb_build_object('command', polcmd::text,
    'permissive', polpermissive,
    'roles', ARRAY(SELECT coalesce(rolname, 'PUBLIC') FROM unnest(polroles) AS given (id) LEFT JOIN pg_roles
        ON oid = id ORDER BY 1),
    'using', pg_get_expr(polqual, polrelid), 'check', pg_get_expr(polwithcheck, polrelid))
FROM pg_policy JOIN ours ON polrelid = ours.oid
UNION ALL
SELECT 'grant', real, watched.name || ' on ' || granted.name, granted.name, to_jsonb(array_agg(privilege
    ORDER BY privilege))
FROM granted JOIN watched ON watched.oid = grantee GROUP BY real, watched.name, granted.name
UNION ALL
SELECT 'grant', '', watched.name || ' on schema public', '', to_jsonb(array_agg(privilege_type
    ORDER BY privilege_type))
FROM pg_namespace CROSS JOIN LATERAL aclexplode(coalesce(nspacl, acldefault('n', nspowner))) JOIN watched
    ON watched.oid = grantee
WHERE nspname = 'public' GROUP BY watched.name
UNION ALL
SELECT 'rule', real, rulename || ' on ' || name, name, to_jsonb(ev_enabled::text) FROM pg_rewrite JOIN ours
    ON ev_class = ours.oid
UNION ALL
SELECT 'default', real, attname || ' of ' || name, name, to_jsonb(pg_get_expr(adbin, adrelid))
FROM pg_attrdef JOIN ours ON adrelid = ours.oid JOIN pg_attribute ON attrelid = adrelid AND attnum = adnum
    WHERE attname = 'xid'
UNION ALL
SELECT 'function', '', proname::text || '(' || pg_get_function_identity_arguments(code.oid) || ')', '',
    jsonb_build_object(
    'body', encode(sha256(convert_to(prosrc, 'UTF8')), 'hex'), 'definer', prosecdef,
        'settings', coalesce(proconfig, '{}'),
    'language', lanname, 'returns', pg_get_function_result(code.oid), 'owned_by_the_service',
        proowner IN (SELECT oid FROM watched),
    'execute', ARRAY(SELECT watched.name FROM aclexplode(coalesce(proacl, acldefault('f', proowner)))
        JOIN watched ON watched.oid = grantee
                     ORDER BY 1))
FROM pg_proc AS code JOIN pg_language ON pg_language.oid = prolang
WHERE pronamespace = 'public'::regnamespace
  AND NOT EXISTS (SELECT FROM pg_depend WHERE classid = 'pg_proc'::regclass AND objid = code.oid
      AND deptype = 'e')
UNION ALL
SELECT 'role', '', rolname::text, '', jsonb_build_object('superuser', rolsuper, 'create_role', rolcreaterole,
    'create_db', rolcreatedb,
    'login', rolcanlogin, 'replication', rolreplication, 'bypass_rls', rolbypassrls)
FROM pg_roles WHERE rolname = ANY(:roles)
UNION ALL
SELECT 'membership', '', watched.name || ' in ' || rolname, '',
    jsonb_build_object('inherit', bool_or(inherit_option), 'set', bool_or(set_option),
        'admin', bool_or(admin_option))
FROM pg_auth_members JOIN watched ON watched.oid = member JOIN pg_roles ON pg_roles.oid = roleid
    GROUP BY watched.name, rolname
UNION ALL
SELECT 'setting', '', split_part(set, '=', 1) || ' of ' || coalesce(watched.name, 'every role'), '',
    to_jsonb(set)
FROM pg_db_role_setting CROSS JOIN LATERAL unnest(setconfig) AS set LEFT JOIN watched ON watched.oid = setrole
    AND setrole <> 0
WHERE (setrole = 0 OR watched.oid IS NOT NULL)
  AND (setdatabase = 0 OR setdatabase = (SELECT oid FROM pg_database WHERE datname = current_database()))
  AND (split_part(set, '=', 1) IN ('session_replication_role', 'row_security', 'search_path', 'role')
      OR set LIKE 'coldcase.%')
ORDER BY 1, 2, 3
"""


class Guard(msgspec.Struct, frozen=True):
    """One thing that guards the record: of a kind (`trigger`), by name (`audited on api_key`), and how it is
    made.

    `table` is the table that it belongs to, empty for what belongs to none.
    """

    kind: str
    name: str
    table: str
    value: Any


class Expected(msgspec.Struct, frozen=True):
    """The guards that this release makes; those of `decision_year` on each yearly partition."""

    revision: str
    guards: list[Guard]


class GuardDifference(msgspec.Struct, frozen=True):
    """A guard that is not as this release makes it. `wanted` or `found` is None where there should be, or is,
    none.
    """

    kind: str
    name: str
    wanted: Guard | None
    found: Guard | None


def expected_guards() -> Expected:
    """What this release makes."""
    return msgspec.json.decode((files("coldcase.db") / "guards.json").read_bytes(), type=Expected)


def guards_query() -> TextClause:
    """The query for what there is; `PATH` goes before it, in the same transaction."""
    values = {
        "tables": [*metadata.tables, "alembic_version"],
        "roles": [SERVICE_ROLE, AUDITOR_ROLE],
        "partition": ANY_PARTITION,
    }
    return text(FOUND).bindparams(*(bindparam(name, value) for name, value in values.items()))


def guards_found(rows: Iterable[Any]) -> dict[str, list[Guard]]:
    """The rows of `guards_query`: the guards of each yearly partition under its name, all others under the
    empty one.
    """
    made: dict[str, list[Guard]] = {"": []}
    for kind, real, name, table, value in rows:
        made.setdefault(real if table == ANY_PARTITION else "", []).append(Guard(kind, name, table, value))
    return made


def differences(wanted: Sequence[Guard], there: Mapping[str, list[Guard]]) -> Iterator[GuardDifference]:
    """What is missing, what is there and should not be, and what is otherwise than it should be."""
    for part, guards in there.items():
        one = {
            (guard.kind, guard.name): guard
            for guard in wanted
            if (guard.table == ANY_PARTITION) == bool(part)
        }
        other = {(guard.kind, guard.name): guard for guard in guards}
        for kind, name in sorted(one.keys() | other.keys()):
            want, have = one.get((kind, name)), other.get((kind, name))
            if want is None or have is None or want.value != have.value:
                yield GuardDifference(kind, name.replace(ANY_PARTITION, part) if part else name, want, have)


async def look_at_guards(conn: AsyncConnection) -> dict[str, list[Guard]]:
    """What there is, as `guards_found` has it. For the rest of the transaction names are looked for in the
    tables' own schema.
    """
    await conn.execute(PATH)
    return guards_found(await conn.execute(guards_query()))
