"""What trainees said of a case before they saw what it was.

Revises: 20261127_1200.

An answer stays as it was given, and each key gives one of a case. It names a case, causes, and what would be looked at next; who stands
behind the key is asked of the key, so that an erased person is erased here, too. Under no seal, and told by no event: it is no part of the
record of failures. Replicas of the release before know none.
"""

from alembic import op
from sqlalchemy import (
    ARRAY,
    Boolean,
    CheckConstraint,
    Column,
    DateTime,
    ForeignKeyConstraint,
    Integer,
    PrimaryKeyConstraint,
    Text,
    UniqueConstraint,
    Uuid,
    text,
)

revision = "20261127_1230"
down_revision = "20261127_1200"
branch_labels = None
depends_on = None

OWN_CLIENT = "client_id = nullif(current_setting('coldcase.client', true), '')::integer"
OWN_KEY = "client_id = (SELECT api_key.client_id FROM api_key WHERE api_key.id = by_key)"


def upgrade() -> None:
    op.create_table(
        "training_answer",
        Column("id", Uuid, nullable=False),
        Column("client_id", Integer, nullable=False),
        Column("by_key", Uuid, nullable=False),
        Column("case_name", Text(collation="C"), nullable=False),
        Column("causes", ARRAY(Text), nullable=False),
        Column("next_check", Text),
        Column("was_right", Boolean, nullable=False),
        Column("at", DateTime(timezone=True), nullable=False, server_default=text("now()")),
        PrimaryKeyConstraint("id", name="pk_training_answer"),
        UniqueConstraint("by_key", "case_name", name="uq_training_answer_by_key_case_name"),
        ForeignKeyConstraint(["client_id"], ["client.id"], name="fk_training_answer_client_id_client"),
        ForeignKeyConstraint(["by_key"], ["api_key.id"], name="fk_training_answer_by_key_api_key"),
        CheckConstraint("cardinality(causes) BETWEEN 1 AND 3", name="ck_training_answer_some_causes"),
        CheckConstraint("length(case_name) <= 64", name="ck_training_answer_case_name_is_short"),
    )
    op.create_index("ix_training_answer_client_id_case_name", "training_answer", ["client_id", "case_name"])
    op.execute("CREATE TRIGGER never_changed BEFORE UPDATE OR DELETE ON training_answer FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute("CREATE TRIGGER never_emptied BEFORE TRUNCATE ON training_answer EXECUTE FUNCTION refuse_change()")
    op.execute("ALTER TABLE training_answer ENABLE ROW LEVEL SECURITY")
    op.execute(f"CREATE POLICY seen ON training_answer FOR SELECT TO coldcase_service USING ({OWN_CLIENT})")
    op.execute(f"CREATE POLICY given ON training_answer FOR INSERT TO coldcase_service WITH CHECK ({OWN_CLIENT} AND {OWN_KEY})")
    op.execute("GRANT SELECT ON training_answer TO coldcase_service")
    # The time is the database's.
    op.execute("GRANT INSERT (id, client_id, by_key, case_name, causes, next_check, was_right) ON training_answer TO coldcase_service")


def downgrade() -> None:
    """What trainees said goes."""
    op.drop_table("training_answer")
