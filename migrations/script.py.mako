"""${message}

Revises: ${down_revision | comma,n}

A migration must not break the version of the service that is running while it is applied: old and new replicas work side by side on the
new schema. So: expand (add a table, a nullable column, an index), release, migrate the data, release, and contract (drop what nobody
reads any more) in a later release. A table of the record gets the same triggers, policies and grants as its neighbours.
"""

import sqlalchemy as sa
from alembic import op
${imports if imports else ""}
revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = ${repr(branch_labels)}
depends_on = ${repr(depends_on)}


def upgrade() -> None:
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    ${downgrades if downgrades else "pass"}
