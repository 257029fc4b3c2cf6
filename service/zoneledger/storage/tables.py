"""The tables; every instant is a BIGINT of microseconds since the Unix epoch, UTC, so that both databases keep it exactly."""

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

#: SQLite numbers rows by itself only where the key is INTEGER.
_Number = BigInteger().with_variant(Integer(), "sqlite")


def _cell() -> Column[int]:
    return Column("cell_id", Integer, ForeignKey("heads.cell_id"), nullable=False)


def _ledger(*, primary_key: bool = True) -> Column[int]:
    return Column("ledger_id", Integer, ForeignKey("ledgers.ledger_id"), primary_key=primary_key, nullable=False)


def _us(name: str, *, nullable: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=nullable)


def _text(name: str, *, nullable: bool = False) -> Column[str]:
    return Column(name, Text, nullable=nullable)


plants = Table(
    "plants",
    metadata,
    Column("version", Integer, primary_key=True),
    _text("document"),
    _us("applied_us"),
)

heads = Table(
    "heads",
    metadata,
    Column("cell_id", Integer, primary_key=True),
    Column("cell", Text, nullable=False, unique=True),
    _text("booking"),
    Column("events_since_checkpoint", Integer, nullable=False),
    _text("link", nullable=True),
    _us("link_us", nullable=True),
    _us("link_down_us", nullable=True),
    _text("counts"),
    Column("ledger_id", Integer, nullable=False),
    _text("clock", nullable=True),
    _text("refused_clock", nullable=True),
    Column("kept_boot", BigInteger, nullable=True),
    Column("kept_seq", BigInteger, nullable=True),
    _us("ledger_from_us", nullable=True),
    Column("fold", Integer, nullable=False),
    _us("derived_from_us", nullable=True),
)

#: The ledgers of a cell: the one that its head names, and one that is being derived anew or was given up.
ledgers = Table(
    "ledgers",
    metadata,
    Column("ledger_id", Integer, primary_key=True),
    _text("cell"),
    _us("touched_us"),
    Index(None, "cell"),
    sqlite_autoincrement=True,
)

events = Table(
    "events",
    metadata,
    Column("id", _Number, primary_key=True),
    Column("cell_id", Integer, nullable=False),  # no foreign key: decision 21
    Column("boot", BigInteger, nullable=False),
    Column("seq", BigInteger, nullable=False),
    _us("at_us"),
    _us("arrived_us"),
    _text("type"),
    _text("body"),
    UniqueConstraint("cell_id", "boot", "seq"),
    sqlite_autoincrement=True,
)

snapshots = Table(
    "snapshots",
    metadata,
    Column("id", _Number, primary_key=True),
    _cell(),
    Column("boot", BigInteger, nullable=False),
    Column("seq", BigInteger, nullable=False),
    _us("at_us"),
    _text("body"),
    Index(None, "cell_id", "boot", "seq", "at_us"),
    sqlite_autoincrement=True,
)

checkpoints = Table(
    "checkpoints",
    metadata,
    _ledger(),
    Column("boot", BigInteger, primary_key=True),
    Column("seq", BigInteger, primary_key=True),
    _text("booking"),
)

spans = Table(
    "spans",
    metadata,
    _ledger(),
    Column("zone", Text, primary_key=True),
    Column("start_us", BigInteger, primary_key=True),
    _us("end_us"),
    _text("state"),
    _text("reason", nullable=True),
    Index(None, "ledger_id", "end_us"),
)

fasteners = Table(
    "fasteners",
    metadata,
    Column("ledger_id", Integer, primary_key=True, nullable=False),  # no foreign key: decision 21
    Column("boot", BigInteger, primary_key=True),
    Column("seq", BigInteger, primary_key=True),
    _us("at_us"),
    _text("zone"),
    _text("operation"),
    _text("item", nullable=True),
    _text("program", nullable=True),
    _text("panel", nullable=True),
    _text("position", nullable=True),
    _text("result"),
    Column("seconds", Float(53), nullable=True),
    _text("verdict", nullable=True),
    Index(None, "ledger_id", "at_us"),
    Index(None, "ledger_id", "panel", "position"),
)

verdicts = Table(
    "verdicts",
    metadata,
    _ledger(),
    Column("boot", BigInteger, primary_key=True),
    Column("seq", BigInteger, primary_key=True),
    _text("panel"),
    _text("position"),
    _text("result"),
    Index(None, "ledger_id", "panel", "position"),
)

gaps = Table(
    "gaps",
    metadata,
    Column("id", _Number, primary_key=True),
    _ledger(primary_key=False),
    Column("boot", BigInteger, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("rank", SmallInteger, nullable=False),
    Column("first_seq", BigInteger, nullable=False),
    Column("last_seq", BigInteger, nullable=False),
    _us("since_us", nullable=True),
    _us("until_us"),
    Index(None, "ledger_id", "boot", "seq"),
    sqlite_autoincrement=True,
)

discrepancies = Table(
    "discrepancies",
    metadata,
    Column("id", _Number, primary_key=True),
    _ledger(primary_key=False),
    Column("boot", BigInteger, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("rank", SmallInteger, nullable=False),
    Column("number", Integer, nullable=False),
    _us("at_us"),
    _text("kind"),
    _text("zone"),
    _text("detail"),
    Column("unseen", BigInteger, nullable=False),
    Index(None, "ledger_id", "boot", "seq"),
    Index(None, "ledger_id", "kind", "at_us"),
    sqlite_autoincrement=True,
)

activities = Table(
    "activities",
    metadata,
    Column("id", _Number, primary_key=True),
    _ledger(primary_key=False),
    Column("boot", BigInteger, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("rank", SmallInteger, nullable=False),
    _text("zone"),
    _text("activity"),
    _text("program", nullable=True),
    _text("panel", nullable=True),
    Column("automatic", BigInteger, nullable=True),
    Column("manual", BigInteger, nullable=True),
    _us("start_us"),
    _us("end_us"),
    _text("begun_by"),
    _text("ended_by"),
    _text("outcome", nullable=True),
    Index(None, "ledger_id", "boot", "seq"),
    Index(None, "ledger_id", "zone", "start_us"),
    sqlite_autoincrement=True,
)

alarms = Table(
    "alarms",
    metadata,
    _ledger(),
    Column("boot", BigInteger, primary_key=True),
    Column("seq", BigInteger, primary_key=True),
    _us("at_us"),
    _text("zone"),
    _text("code"),
    _text("severity"),
    _text("subsystem", nullable=True),
    _text("text", nullable=True),
    Index(None, "ledger_id", "at_us"),
    Index(None, "ledger_id", "code", "at_us"),
)

refused = Table(
    "refused",
    metadata,
    Column("id", _Number, primary_key=True),
    _text("cell"),
    _text("origin"),
    _us("arrived_us"),
    Column("at_index", Integer, nullable=False),
    _text("reason"),
    _text("detail"),
    Column("body", LargeBinary, nullable=False),
    Column("size", BigInteger, nullable=False),
    Index(None, "cell", "id"),
    Index(None, "reason", "id"),
    sqlite_autoincrement=True,
)

#: What people say of time: rows are added only. An undo has the time of the entry that it undoes.
given_reasons = Table(
    "given_reasons",
    metadata,
    Column("id", _Number, primary_key=True),
    _text("cell"),
    _text("zone"),
    _us("start_us"),
    _us("end_us"),
    _text("reason", nullable=True),
    _text("states"),
    _text("role"),
    _text("note", nullable=True),
    Column("undoes", _Number, ForeignKey("given_reasons.id"), nullable=True),
    _us("recorded_us"),
    Index(None, "cell", "id"),
    Index(None, "cell", "end_us"),
    sqlite_autoincrement=True,
)

proofs = Table(
    "proofs",
    metadata,
    Column("id", _Number, primary_key=True),
    _text("unit"),
    _us("start_us"),
    _us("end_us"),
    _text("declared"),
    _us("declared_us"),
    _text("frozen", nullable=True),
    _us("frozen_us", nullable=True),
    sqlite_autoincrement=True,
)

leases = Table(
    "leases",
    metadata,
    Column("name", Text, primary_key=True),
    _text("holder"),
    _us("until_us"),
)

#: Keys and sessions: of a secret only its SHA-256. `units` null: all; `root` is what a session began with.
keys = Table(
    "keys",
    metadata,
    Column("id", Text, primary_key=True),
    _text("kind"),
    _text("name"),
    _text("digest"),
    _text("scopes"),
    _text("units", nullable=True),
    _us("created_us"),
    _us("expires_us"),
    _text("root", nullable=True),
    _us("revoked_us", nullable=True),
    _us("used_us", nullable=True),
    Index(None, "kind", "expires_us"),
)

audit = Table(
    "audit",
    metadata,
    Column("id", _Number, primary_key=True),
    _us("at_us"),
    _text("what"),
    _text("who"),
    _text("address"),
    _text("detail"),
    Index(None, "at_us"),
    sqlite_autoincrement=True,
)

#: What slots of lines (`cell` empty) and cells came to: a row is there only while nothing has changed that it was summed from.
presums = Table(
    "presums",
    metadata,
    Column("id", _Number, primary_key=True),
    _text("line"),
    _text("cell"),
    _us("start_us"),
    _us("end_us"),
    Column("rules", Integer, nullable=False),
    _text("total"),
    UniqueConstraint("line", "cell", "start_us"),
    sqlite_autoincrement=True,
)

revisions = Table(
    "revisions",
    metadata,
    Column("id", _Number, primary_key=True),
    _text("unit"),
    _us("from_us"),
    _us("to_us"),
    _us("recorded_us"),
    _text("cause"),
    Index(None, "unit", "from_us"),
    sqlite_autoincrement=True,
)
