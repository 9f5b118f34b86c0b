"""Sessions: a person who has shown a key to the login page, until the session ends.

Revises: 20261127_0700.

A row holds the SHA-256 of what the cookie holds, and which key was shown; the key itself is in neither. Sessions are no part of the
record: the service's role ends them and sweeps what has ended, and no event tells of them. Replicas of the release before know none.
"""

from alembic import op
from sqlalchemy import (
    CheckConstraint,
    Column,
    DateTime,
    ForeignKeyConstraint,
    LargeBinary,
    PrimaryKeyConstraint,
    Uuid,
)

revision = "20261127_1200"
down_revision = "20261127_0700"
branch_labels = None
depends_on = None

MOMENT = DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "web_session",
        Column("token_sha256", LargeBinary, nullable=False),
        Column("key_id", Uuid, nullable=False),
        Column("created_at", MOMENT, nullable=False),
        Column("expires_at", MOMENT, nullable=False),
        PrimaryKeyConstraint("token_sha256", name="pk_web_session"),
        ForeignKeyConstraint(["key_id"], ["api_key.id"], name="fk_web_session_key_id_api_key"),
        CheckConstraint("length(token_sha256) = 32", name="ck_web_session_token_is_a_digest"),
    )
    op.create_index("ix_web_session_expires_at", "web_session", ["expires_at"])
    op.execute("GRANT SELECT, INSERT, DELETE ON web_session TO coldcase_service")


def downgrade() -> None:
    """Everybody is logged out."""
    op.drop_table("web_session")
