"""From when on a ledger has activities and alarms, and indexes for looking back: alarms by code, activities by start."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

BY_START = ["ledger_id", "zone", "start_us"]
BY_KIND = ["ledger_id", "zone", "activity", "start_us"]


def upgrade() -> None:
    with op.batch_alter_table("heads") as batch:
        batch.add_column(sa.Column("derived_from_us", sa.BigInteger(), nullable=True))
    op.create_index("ix_alarms_ledger_id_code_at_us", "alarms", ["ledger_id", "code", "at_us"])
    op.create_index("_".join(["ix_activities", *BY_START]), "activities", BY_START)
    op.drop_index("_".join(["ix_activities", *BY_KIND]), "activities")


def downgrade() -> None:
    # A ledger that is derived anew after the next upgrade finds out again what it cannot derive.
    op.execute("UPDATE heads SET fold = 0 WHERE derived_from_us IS NOT NULL")
    op.create_index("_".join(["ix_activities", *BY_KIND]), "activities", BY_KIND)
    op.drop_index("_".join(["ix_activities", *BY_START]), "activities")
    op.drop_index("ix_alarms_ledger_id_code_at_us", "alarms")
    with op.batch_alter_table("heads") as batch:
        batch.drop_column("derived_from_us")
