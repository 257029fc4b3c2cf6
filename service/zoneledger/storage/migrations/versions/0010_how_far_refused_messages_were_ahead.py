"""How far refused messages were ahead of the clock, apart from those that were taken."""

import json

import sqlalchemy as sa
from alembic import op

from zoneledger.core.errors import SchemaMismatch

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("heads", sa.Column("refused_clock", sa.Text(), nullable=True))


def downgrade() -> None:
    present = op.get_bind().scalar(sa.text("SELECT document FROM plants ORDER BY version DESC LIMIT 1"))
    lines = [line for site in json.loads(present or "{}").get("sites", ()) for line in site.get("lines", ())]
    if any("since" in cell for line in lines for cell in line.get("cells", ())):
        raise SchemaMismatch(
            "Cells of the plant model have a since, which an older version does not know, so nothing was changed."
        )
    with op.batch_alter_table("heads") as batch:
        batch.drop_column("refused_clock")
