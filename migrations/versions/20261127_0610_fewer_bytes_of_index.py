"""Searches go by smaller indexes: each but the primary key ends with the time, ids are sorted where times are equal.

Revises: 20261127_0605.

An id is as long as all the rest of an entry. Each index is built beside the one it replaces, year by year, without holding up who records:
a build that was cut off leaves an invalid index, which the next try drops. Only then does the old one go.
"""

from alembic import op
from sqlalchemy import text

revision = "20261127_0610"
down_revision = "20261127_0605"
branch_labels = None
depends_on = None

COLUMNS = ("cause", "status", "compressor_type", "rule_table", "job_ref", "circuit", "refrigerant")
PARTIAL = ("job_ref", "circuit", "refrigerant")


def indexes(last: str) -> dict[str, tuple[str, str]]:
    """Columns and condition of each index that ends with the time, and then `last`, by its name."""
    end, word = (f", {last}", f"_{last}") if last else ("", "")
    made = {
        f"ix_decision_at{word}": (f"at{end}", ""),
        f"ix_decision_client_id_at{word}": (f"client_id, at{end}", ""),
        f"ix_decision_client_id_recorded_at{word}": (f"client_id, recorded_at{end}", ""),
    }
    for column in COLUMNS:
        condition = f" WHERE {column} IS NOT NULL" if column in PARTIAL else ""
        made[f"ix_decision_client_id_{column}_at{word}"] = (f"client_id, {column}, at{end}", condition)
    return made


def upgrade() -> None:
    replace(indexes("id"), indexes(""))


def downgrade() -> None:
    replace(indexes(""), indexes("id"))


def replace(old: dict[str, tuple[str, str]], new: dict[str, tuple[str, str]]) -> None:
    """Makes the new ones, then drops the old ones."""
    if op.get_context().as_sql:
        for name, (columns, condition) in new.items():
            op.execute(f"CREATE INDEX {name} ON decision ({columns}){condition}")
        for name in old:
            op.execute(f"DROP INDEX {name}")
        return
    with op.get_context().autocommit_block():
        conn = op.get_bind()
        timeout = conn.execute(text("SHOW statement_timeout")).scalar_one()
        conn.execute(text("SET statement_timeout = 0"))
        for name, (columns, condition) in new.items():
            build(name, columns, condition)
        for name in old:
            op.execute(f"DROP INDEX IF EXISTS {name}")
        conn.execute(text(f"SET statement_timeout = '{timeout}'"))


PARTS = "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'decision'::regclass ORDER BY 1"
IS_VALID = "SELECT coalesce((SELECT indisvalid FROM pg_index WHERE indexrelid = to_regclass(:name)), false)"
IS_THERE = "SELECT to_regclass(:name) IS NOT NULL"
IS_ATTACHED = "SELECT EXISTS (SELECT FROM pg_inherits WHERE inhrelid = to_regclass(:name))"


def build(name: str, columns: str, condition: str) -> None:
    """An index on the table of all years is valid once that of each year is attached to it."""
    conn = op.get_bind()

    def says(query: str, about: str) -> bool:
        return bool(conn.execute(text(query), {"name": about}).scalar_one())

    if says(IS_VALID, name):
        return
    if not says(IS_THERE, name):
        conn.execute(text(f"CREATE INDEX {name} ON ONLY decision ({columns}){condition}"))
    for part in list(conn.execute(text(PARTS)).scalars()):
        # As PostgreSQL names those of years to come.
        own = f"{part}_{columns.replace(', ', '_')}_idx"
        if says(IS_ATTACHED, own):
            continue
        if not says(IS_VALID, own):
            conn.execute(text(f"DROP INDEX IF EXISTS {own}"))
            conn.execute(text(f"CREATE INDEX CONCURRENTLY {own} ON {part} ({columns}){condition}"))
        conn.execute(text(f"ALTER INDEX {name} ATTACH PARTITION {own}"))
