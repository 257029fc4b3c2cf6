"""Leases between processes; a cell's clock offset, and from where on its messages and its ledger are kept."""

import sqlalchemy as sa
from alembic import op

from zoneledger.core.errors import SchemaMismatch

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

HEADS = {
    "clock": sa.Text(),
    "kept_boot": sa.BigInteger(),
    "kept_seq": sa.BigInteger(),
    "ledger_from_us": sa.BigInteger(),
}
#: Tables whose rows go one by one: SQLite must not give a number twice, as readers go on after the last they have seen.
NUMBERED = ("events", "snapshots", "refused", "gaps", "discrepancies", "revisions")


def upgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for name in NUMBERED:
            with op.batch_alter_table(name, recreate="always", table_kwargs={"sqlite_autoincrement": True}):
                pass
    op.create_table(
        "leases",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("holder", sa.Text(), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_leases"),
    )
    for name, kind in HEADS.items():
        op.add_column("heads", sa.Column(name, kind, nullable=True))


def downgrade() -> None:
    if op.get_bind().scalar(sa.text("SELECT count(*) FROM heads WHERE kept_boot IS NOT NULL")):
        raise SchemaMismatch(
            "Messages were forgotten, which an older version would take for lost and book anew without them, so nothing was changed."
        )
    with op.batch_alter_table("heads") as batch:
        for name in HEADS:
            batch.drop_column(name)
    op.drop_table("leases")
