"""A dictionary that answers are packed with may have four mebibytes.

Revises: 20261127_1700.

With twice as much of a rule table's answers in it, what is stored of one is a tenth smaller. The release before reads what was packed so.
"""

from alembic import op

revision = "20261127_1800"
down_revision = "20261127_1700"
branch_labels = None
depends_on = None


def _at_most(mebibytes: int, more: str = "") -> None:
    op.execute("ALTER TABLE answer_dictionary DROP CONSTRAINT ck_answer_dictionary_is_small")
    op.execute(
        f"ALTER TABLE answer_dictionary ADD CONSTRAINT ck_answer_dictionary_is_small CHECK (length(content) <= {mebibytes * 1048576}) {more}"
    )


def upgrade() -> None:
    _at_most(4)


def downgrade() -> None:
    """What is larger already stays: answers are packed with it."""
    _at_most(1, "NOT VALID")
