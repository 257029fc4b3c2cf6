"""Reasons that people give to time that the machine does not explain."""

import sqlalchemy as sa
from alembic import op

from zoneledger.core.errors import SchemaMismatch

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "given_reasons",
        sa.Column("id", number, nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("start_us", sa.BigInteger(), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("states", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("undoes", number, nullable=True),
        sa.Column("recorded_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["undoes"], ["given_reasons.id"], name="fk_given_reasons_undoes"),
        sa.PrimaryKeyConstraint("id", name="pk_given_reasons"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_given_reasons_cell_id", "given_reasons", ["cell", "id"])
    op.create_index("ix_given_reasons_cell_end_us", "given_reasons", ["cell", "end_us"])


def downgrade() -> None:
    if op.get_bind().scalar(sa.text("SELECT count(*) FROM given_reasons")):
        raise SchemaMismatch(
            "People gave reasons, which an older version cannot keep and nobody could bring back, so nothing was changed."
        )
    op.drop_table("given_reasons")
