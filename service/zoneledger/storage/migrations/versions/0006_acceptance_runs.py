"""Acceptance runs as they were declared, and what they came to."""

import sqlalchemy as sa
from alembic import op

from zoneledger.core.errors import SchemaMismatch

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "proofs",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("start_us", sa.BigInteger(), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=False),
        sa.Column("declared", sa.Text(), nullable=False),
        sa.Column("declared_us", sa.BigInteger(), nullable=False),
        sa.Column("frozen", sa.Text(), nullable=True),
        sa.Column("frozen_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_proofs"),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    if op.get_bind().scalar(sa.text("SELECT count(*) FROM proofs")):
        raise SchemaMismatch(
            "Acceptance runs were declared, which an older version cannot keep and nobody could bring back, so nothing was changed."
        )
    op.drop_table("proofs")
