"""Events and fasteners name their cell and ledger without a foreign key: it was looked up for each of millions of rows."""

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

#: The table, its column, the table that it names, and what SQLite is to keep where it makes the table anew.
KEYS = (("events", "cell_id", "heads", {"sqlite_autoincrement": True}), ("fasteners", "ledger_id", "ledgers", {}))


def upgrade() -> None:
    for table, column, _, kept in KEYS:
        with op.batch_alter_table(table, table_kwargs=kept) as batch:
            batch.drop_constraint(f"fk_{table}_{column}", type_="foreignkey")


def downgrade() -> None:
    for table, column, target, kept in KEYS:
        with op.batch_alter_table(table, table_kwargs=kept) as batch:
            batch.create_foreign_key(f"fk_{table}_{column}", target, [column], [column])
