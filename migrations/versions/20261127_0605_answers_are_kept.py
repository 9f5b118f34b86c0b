"""Every decision has its answer, packed or as text: looked at for those of before, in a transaction that holds nobody up.

Revises: 20261127_0600.
"""

from alembic import op

revision = "20261127_0605"
down_revision = "20261127_0600"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Reads the whole record beside the service that writes it.
    op.execute("SET LOCAL statement_timeout = 0")
    op.execute("ALTER TABLE decision VALIDATE CONSTRAINT ck_decision_answer_is_kept")


def downgrade() -> None:
    """A constraint that holds goes on holding."""
