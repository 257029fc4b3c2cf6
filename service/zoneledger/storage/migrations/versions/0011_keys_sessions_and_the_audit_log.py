"""Keys and sessions by which the service knows who calls, and the log of what they did."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "keys",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("units", sa.Text(), nullable=True),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.Column("root", sa.Text(), nullable=True),
        sa.Column("revoked_us", sa.BigInteger(), nullable=True),
        sa.Column("used_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_keys"),
    )
    op.create_index("ix_keys_kind_expires_us", "keys", ["kind", "expires_us"])
    op.create_table(
        "audit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_audit_at_us", "audit", ["at_us"])


def downgrade() -> None:
    op.drop_table("audit")
    op.drop_table("keys")
