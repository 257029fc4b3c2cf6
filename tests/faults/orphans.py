"""Rows that no foreign key guards (decision 21): none of them may name a cell or a ledger that is not there."""

import asyncio

from sqlalchemy import text

from zoneledger.storage.engines import open_engines

#: The table, its column, and the table that it names.
NAMES = (("events", "cell_id", "heads"), ("fasteners", "ledger_id", "ledgers"))


def orphans(url: str) -> dict[str, int]:
    """Return how many rows of each table name a row that is not there."""
    return asyncio.run(_count(url))


async def _count(url: str) -> dict[str, int]:
    engines = open_engines(url)
    try:
        async with engines.read.connect() as connection:
            return {
                table: (
                    await connection.execute(
                        text(f"SELECT count(*) FROM {table} WHERE {column} NOT IN (SELECT {column} FROM {other})")
                    )
                ).scalar_one()
                for table, column, other in NAMES
            }
    finally:
        await engines.dispose()
