"""Activities and alarms in the ledger, and by which version of the rules each ledger was derived."""

import json
from collections.abc import Callable

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

ROWS_AT_ONCE = 1000
#: How many parts a booking's state had before activities were the sixth.
OLDER_PARTS = 5


def upgrade() -> None:
    op.create_table(
        "activities",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("ledger_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("rank", sa.SmallInteger(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("activity", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=True),
        sa.Column("panel", sa.Text(), nullable=True),
        sa.Column("automatic", sa.BigInteger(), nullable=True),
        sa.Column("manual", sa.BigInteger(), nullable=True),
        sa.Column("start_us", sa.BigInteger(), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=False),
        sa.Column("begun_by", sa.Text(), nullable=False),
        sa.Column("ended_by", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["ledger_id"], ["ledgers.ledger_id"], name="fk_activities_ledger_id"),
        sa.PrimaryKeyConstraint("id", name="pk_activities"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_activities_ledger_id_boot_seq", "activities", ["ledger_id", "boot", "seq"])
    by_start = ["ledger_id", "zone", "activity", "start_us"]
    op.create_index("_".join(["ix_activities", *by_start]), "activities", by_start)
    op.create_table(
        "alarms",
        sa.Column("ledger_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("subsystem", sa.Text(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["ledger_id"], ["ledgers.ledger_id"], name="fk_alarms_ledger_id"),
        sa.PrimaryKeyConstraint("ledger_id", "boot", "seq", name="pk_alarms"),
    )
    op.create_index("ix_alarms_ledger_id_at_us", "alarms", ["ledger_id", "at_us"])
    with op.batch_alter_table("heads") as batch:
        batch.add_column(sa.Column("fold", sa.Integer(), nullable=True))
    op.execute("UPDATE heads SET fold = 0")
    with op.batch_alter_table("heads") as batch:
        batch.alter_column("fold", nullable=False)


def downgrade() -> None:
    """Take out what an older version cannot read: it would not load a state that has activities."""
    _change("heads", ("cell_id",), _older)
    _change("checkpoints", ("ledger_id", "boot", "seq"), _older)
    with op.batch_alter_table("heads") as batch:
        batch.drop_column("fold")
    op.drop_table("alarms")
    op.drop_table("activities")


def _older(booking: str) -> str:
    return json.dumps(json.loads(booking)[:OLDER_PARTS], separators=(",", ":")) if booking else booking


def _change(name: str, key: tuple[str, ...], change: Callable[[str], str]) -> None:
    """Change the booking of each row of a table, some rows at a time."""
    table = sa.table(name, sa.column("booking"), *map(sa.column, key))
    columns, connection = [table.c[part] for part in key], op.get_bind()
    last: tuple[int, ...] = ()
    while True:
        query = sa.select(table.c.booking, *columns).order_by(*columns).limit(ROWS_AT_ONCE)
        rows = connection.execute(query.where(sa.tuple_(*columns) > last) if last else query).all()
        for booking, *values in rows:
            at = [column == value for column, value in zip(columns, values, strict=True)]
            connection.execute(sa.update(table).where(*at).values(booking=change(booking)))
        if len(rows) < ROWS_AT_ONCE:
            return
        last = tuple(rows[-1][1:])
