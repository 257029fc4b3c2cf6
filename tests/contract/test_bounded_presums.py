"""Of pre-sums no more is read than is wanted, on each store: whoever wants few does not read all to see that they are many."""

import pytest
from sqlalchemy import text

from tests.contract.stores import Stores
from zoneledger.application.ports import Store
from zoneledger.application.presums import gather, gather_few
from zoneledger.application.stored import Basis, Presum
from zoneledger.application.windows import Window
from zoneledger.core.calendar import DAY_US
from zoneledger.core.plant import Cell, Line, Plant, Site, Unit
from zoneledger.storage.presums import stamp

LINES = ("wing-1", "wing-2", "wing-3")
PLANT = Plant((Site("harbour", "UTC", tuple(Line(name, cells=(Cell("cell-1", ("1",)),)) for name in LINES)),))
DAYS = 60
WHOLE = Window(0, DAYS * DAY_US)


def _unit(path: str) -> Unit:
    found = PLANT.find(path)
    assert found
    return found


@pytest.fixture
async def summed(store: Store) -> Store:
    """A store that has a pre-sum of each day of each line, but of the last line, and of the last day."""
    rows = [
        Presum(f"harbour/{line}", "", day * DAY_US, (day + 1) * DAY_US, f"{line} {day}")
        for line in LINES[:2]
        for day in range(DAYS - 1)
    ]
    async with store.writing() as writing:
        await writing.put_presums(rows)
    return store


async def test_so_many_are_read_the_first_ones(summed: Store) -> None:
    async with summed.reading() as reading:
        found = await reading.presums("harbour/wing-1", "", DAY_US, WHOLE.end_us, 3)
        assert [row.total for row in found] == ["wing-1 1", "wing-1 2", "wing-1 3"]
        assert len(await reading.presums("harbour/wing-1", "", 0, WHOLE.end_us)) == DAYS - 1
        assert await reading.presums("harbour/wing-1", "", 0, WHOLE.end_us, 0) == []


@pytest.mark.parametrize(
    ("path", "days", "most_rows", "are_few"),
    [
        ("harbour/wing-1", 10, 10, True),
        ("harbour/wing-1", 10, 9, False),  # more than wanted
        ("harbour/wing-1", DAYS, 1000, False),  # not all is summed
        ("harbour", 10, 1000, False),  # nor of all lines
    ],
)
async def test_few_are_gathered_only_where_they_tell_all(
    summed: Store, path: str, days: int, most_rows: int, are_few: bool
) -> None:
    window, unit = Window(0, days * DAY_US), _unit(path)
    async with summed.reading() as reading:
        few = await gather_few(reading, unit, [window], WHOLE.end_us, most_rows)
        assert (few is not None) == are_few
        if few is not None:
            every = await gather(reading, unit, [window], WHOLE.end_us)
            assert (few.texts, few.rows, every.is_whole) == (every.texts, every.rows, True)


async def test_many_windows_are_few_where_their_rows_are(summed: Store) -> None:
    windows = [Window(day * DAY_US, (day + 1) * DAY_US) for day in (0, 1, 50)]
    async with summed.reading() as reading:
        few = await gather_few(reading, _unit("harbour/wing-1"), windows, WHOLE.end_us, 50)
        assert few is not None
        assert few.texts == [["wing-1 0"], ["wing-1 1"], ["wing-1 50"]]


async def test_postgresql_tells_whether_an_answer_still_holds_without_reading_every_sum(
    migrated_postgres_url: str, stores: Stores
) -> None:
    """Its planner goes by how many places are asked for: told of the cells beside the line, it read the sums of all."""
    await stores.open(migrated_postgres_url)
    fill = text(
        "INSERT INTO presums (line, cell, start_us, end_us, rules, total) "
        "SELECT 'harbour/wing-1', cell, slot, slot + 1, 1, repeat('x', 200) FROM generate_series(0, 999) AS slot, "
        "(SELECT '' AS cell UNION SELECT 'harbour/wing-1/cell-' || number FROM generate_series(1, 30) AS number) AS cells"
    )
    engines, cells = stores.engines[migrated_postgres_url], [f"harbour/wing-1/cell-{number}" for number in range(1, 31)]
    async with engines.write.begin() as connection:
        await connection.execute(fill)
        await connection.execute(text("ANALYZE presums"))
    basis = Basis((("harbour/wing-1", ""),), ("harbour/wing-1", *cells), 0, 1000)
    rows_read = text("SELECT seq_tup_read FROM pg_stat_xact_user_tables WHERE relname = 'presums'")
    for plans in ("force_custom_plan", "force_generic_plan"):
        async with engines.write.begin() as connection:
            await connection.execute(text(f"SET LOCAL plan_cache_mode = {plans}"))
            assert (await stamp(connection, basis)).presums == 1000
            assert (await connection.execute(rows_read)).scalar_one() == 0
