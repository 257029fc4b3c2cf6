"""The first schema."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "heads",
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("booking", sa.Text(), nullable=False),
        sa.Column("events_since_checkpoint", sa.Integer(), nullable=False),
        sa.Column("link", sa.Text(), nullable=True),
        sa.Column("link_us", sa.BigInteger(), nullable=True),
        sa.Column("link_down_us", sa.BigInteger(), nullable=True),
        sa.Column("counts", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("cell_id", name=op.f("pk_heads")),
        sa.UniqueConstraint("cell", name=op.f("uq_heads_cell")),
    )
    op.create_table(
        "plants",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("applied_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_plants")),
    )
    op.create_table(
        "refused",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("arrived_us", sa.BigInteger(), nullable=False),
        sa.Column("at_index", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_refused")),
    )
    with op.batch_alter_table("refused", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_refused_cell_id"), ["cell", "id"], unique=False)

    op.create_table(
        "revisions",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("from_us", sa.BigInteger(), nullable=False),
        sa.Column("to_us", sa.BigInteger(), nullable=False),
        sa.Column("recorded_us", sa.BigInteger(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_revisions")),
    )
    with op.batch_alter_table("revisions", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_revisions_unit_from_us"), ["unit", "from_us"], unique=False)

    op.create_table(
        "checkpoints",
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("booking", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_checkpoints_cell_id")),
        sa.PrimaryKeyConstraint("cell_id", "boot", "seq", name=op.f("pk_checkpoints")),
    )
    op.create_table(
        "discrepancies",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("rank", sa.SmallInteger(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("unseen", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_discrepancies_cell_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_discrepancies")),
    )
    with op.batch_alter_table("discrepancies", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_discrepancies_cell_id_boot_seq"), ["cell_id", "boot", "seq"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_discrepancies_cell_id_kind_at_us"), ["cell_id", "kind", "at_us"], unique=False
        )

    op.create_table(
        "events",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("arrived_us", sa.BigInteger(), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_events_cell_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sa.UniqueConstraint("cell_id", "boot", "seq", name=op.f("uq_events_cell_id_boot_seq")),
    )
    op.create_table(
        "fasteners",
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("item", sa.Text(), nullable=True),
        sa.Column("program", sa.Text(), nullable=True),
        sa.Column("panel", sa.Text(), nullable=True),
        sa.Column("position", sa.Text(), nullable=True),
        sa.Column("result", sa.Text(), nullable=False),
        sa.Column("seconds", sa.Float(precision=53), nullable=True),
        sa.Column("verdict", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_fasteners_cell_id")),
        sa.PrimaryKeyConstraint("cell_id", "boot", "seq", name=op.f("pk_fasteners")),
    )
    with op.batch_alter_table("fasteners", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_fasteners_cell_id_at_us"), ["cell_id", "at_us"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_fasteners_cell_id_panel_position"), ["cell_id", "panel", "position"], unique=False
        )

    op.create_table(
        "gaps",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("rank", sa.SmallInteger(), nullable=False),
        sa.Column("first_seq", sa.BigInteger(), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("since_us", sa.BigInteger(), nullable=True),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_gaps_cell_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gaps")),
    )
    with op.batch_alter_table("gaps", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_gaps_cell_id_boot_seq"), ["cell_id", "boot", "seq"], unique=False)

    op.create_table(
        "snapshots",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_snapshots_cell_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_snapshots")),
    )
    with op.batch_alter_table("snapshots", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_snapshots_cell_id_boot_seq_at_us"), ["cell_id", "boot", "seq", "at_us"], unique=False
        )

    op.create_table(
        "spans",
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("start_us", sa.BigInteger(), nullable=False),
        sa.Column("end_us", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_spans_cell_id")),
        sa.PrimaryKeyConstraint("cell_id", "zone", "start_us", name=op.f("pk_spans")),
    )
    with op.batch_alter_table("spans", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_spans_cell_id_end_us"), ["cell_id", "end_us"], unique=False)

    op.create_table(
        "verdicts",
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.BigInteger(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("panel", sa.Text(), nullable=False),
        sa.Column("position", sa.Text(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["heads.cell_id"], name=op.f("fk_verdicts_cell_id")),
        sa.PrimaryKeyConstraint("cell_id", "boot", "seq", name=op.f("pk_verdicts")),
    )
    with op.batch_alter_table("verdicts", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_verdicts_cell_id_panel_position"), ["cell_id", "panel", "position"], unique=False
        )


def downgrade() -> None:
    with op.batch_alter_table("verdicts", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_verdicts_cell_id_panel_position"))

    op.drop_table("verdicts")
    with op.batch_alter_table("spans", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_spans_cell_id_end_us"))

    op.drop_table("spans")
    with op.batch_alter_table("snapshots", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_snapshots_cell_id_boot_seq_at_us"))

    op.drop_table("snapshots")
    with op.batch_alter_table("gaps", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_gaps_cell_id_boot_seq"))

    op.drop_table("gaps")
    with op.batch_alter_table("fasteners", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_fasteners_cell_id_panel_position"))
        batch_op.drop_index(batch_op.f("ix_fasteners_cell_id_at_us"))

    op.drop_table("fasteners")
    op.drop_table("events")
    with op.batch_alter_table("discrepancies", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_discrepancies_cell_id_kind_at_us"))
        batch_op.drop_index(batch_op.f("ix_discrepancies_cell_id_boot_seq"))

    op.drop_table("discrepancies")
    op.drop_table("checkpoints")
    with op.batch_alter_table("revisions", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_revisions_unit_from_us"))

    op.drop_table("revisions")
    with op.batch_alter_table("refused", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_refused_cell_id"))

    op.drop_table("refused")
    op.drop_table("plants")
    op.drop_table("heads")
