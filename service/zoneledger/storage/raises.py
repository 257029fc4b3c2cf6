"""The last raise of a stop alarm up to an instant."""

from collections.abc import Sequence

from sqlalchemy import BigInteger, Integer, Text, or_, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.core.failures import Raised, Wanted
from zoneledger.storage import tables as t
from zoneledger.storage.lists import Columns, rows_of

_WANTED: Columns = {"number": Integer, "cell": Text, "zone": Text, "code": Text, "until_us": BigInteger}


async def last_raises(connection: AsyncConnection, wanted: Sequence[Wanted]) -> list[Raised | None]:
    """Return the last raise of each of these codes, None where there is none, in the order in which they are asked for."""
    a, rows = t.alarms.c, [(number, *one) for number, one in enumerate(wanted)]
    of = rows_of(connection, _WANTED, rows).cte("wanted")
    bears = or_(of.c.zone == "", a.zone == "", a.zone == of.c.zone)
    same = (
        a.ledger_id == t.heads.c.ledger_id,
        a.code == of.c.code,
        a.severity == "stop",
        a.at_us <= of.c.until_us,
        bears,
    )
    # Read from the instant backwards along the index: the raise is mostly the first row.
    last = [
        select(column).where(*same).order_by(a.at_us.desc(), a.boot.desc(), a.seq.desc()).limit(1).scalar_subquery()
        for column in (a.at_us, a.subsystem)
    ]
    query = select(of.c.number, *last).join(t.heads, t.heads.c.cell == of.c.cell)
    found: list[Raised | None] = [None] * len(wanted)
    for number, at_us, subsystem in (await connection.execute(query)).all():
        found[number] = None if at_us is None else Raised(at_us, subsystem)
    return found
