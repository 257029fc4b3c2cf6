"""A cell's ledger gets a number of its own, so that a new one can be derived beside it."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

#: The ledger's tables with the columns of their indexes after the first.
LEDGER_TABLES = {
    "checkpoints": [],
    "spans": [["end_us"]],
    "fasteners": [["at_us"], ["panel", "position"]],
    "verdicts": [["panel", "position"]],
    "gaps": [["boot", "seq"]],
    "discrepancies": [["boot", "seq"], ["kind", "at_us"]],
}


def _is_sqlite() -> bool:
    return op.get_bind().dialect.name == "sqlite"


def _own(table: str, old: str, new: str, target: str) -> None:
    """Let the rows of a table belong to `new`, a key of table `target`, instead of `old`."""
    with op.batch_alter_table(table) as batch:
        batch.drop_constraint(f"fk_{table}_{old}", type_="foreignkey")
        for columns in LEDGER_TABLES[table]:
            batch.drop_index("_".join(["ix", table, old, *columns]))
        batch.alter_column(old, new_column_name=new)
    if new == "cell_id":  # in two steps: the numbers of ledgers and cells overlap
        # Names of our own tables and columns.
        op.execute(f"UPDATE {table} SET {new} = -(SELECT cell_id FROM heads WHERE heads.ledger_id = {table}.{new})")  # nosec B608
        op.execute(f"UPDATE {table} SET {new} = -{new}")  # nosec B608
    with op.batch_alter_table(table) as batch:
        batch.create_foreign_key(f"fk_{table}_{new}", target, [new], [new])
        for columns in LEDGER_TABLES[table]:
            batch.create_index("_".join(["ix", table, new, *columns]), [new, *columns])


def upgrade() -> None:
    op.create_table(
        "ledgers",
        sa.Column("ledger_id", sa.Integer(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("touched_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("ledger_id", name="pk_ledgers"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_ledgers_cell", "ledgers", ["cell"])
    op.create_index("ix_refused_reason_id", "refused", ["reason", "id"])
    op.execute("INSERT INTO ledgers (ledger_id, cell, touched_us) SELECT cell_id, cell, 0 FROM heads")
    if not _is_sqlite():
        op.execute(
            "SELECT setval('ledgers_ledger_id_seq', (SELECT 1 + coalesce(max(ledger_id), 0) FROM ledgers), false)"
        )
    with op.batch_alter_table("heads") as batch:
        batch.add_column(sa.Column("ledger_id", sa.Integer(), nullable=True))
    op.execute("UPDATE heads SET ledger_id = cell_id")
    with op.batch_alter_table("heads") as batch:
        batch.alter_column("ledger_id", existing_type=sa.Integer(), nullable=False)
    for table in LEDGER_TABLES:
        _own(table, "cell_id", "ledger_id", "ledgers")


def downgrade() -> None:
    for table in LEDGER_TABLES:
        # One of our own tables.
        op.execute(f"DELETE FROM {table} WHERE ledger_id NOT IN (SELECT ledger_id FROM heads)")  # nosec B608
        _own(table, "ledger_id", "cell_id", "heads")
    with op.batch_alter_table("heads") as batch:
        batch.drop_column("ledger_id")
    op.drop_index("ix_refused_reason_id", "refused")
    op.drop_table("ledgers")
