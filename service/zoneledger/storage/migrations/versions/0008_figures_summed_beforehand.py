"""What slots of lines and cells came to, summed beforehand."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "presums",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("start_us", sa.BigInteger(), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=False),
        sa.Column("rules", sa.Integer(), nullable=False),
        sa.Column("total", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_presums"),
        sa.UniqueConstraint("line", "cell", "start_us", name="uq_presums_line_cell_start_us"),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    op.drop_table("presums")
