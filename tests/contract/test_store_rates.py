"""What rates and failures read of the Store: fasteners by kind and seconds, the busiest stretch, the last raise of an alarm."""

from collections import Counter

from tests.contract.rows import BEFORE_1970_US, TEXTS, YEAR_9999_US, A, B, alarm, fastener
from zoneledger.application.ports import Store
from zoneledger.core.failures import Raised, Wanted
from zoneledger.core.rates import Made, Piece
from zoneledger.core.rows import Alarm, Booked, Fastener


async def _book(
    store: Store, rows: Booked, cell: str = A, verdicts: dict[tuple[int, int], str | None] | None = None
) -> None:
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([cell]))[cell].ledger_id
        await writing.add_booked([(ledger_id, rows)])
        await writing.put_verdicts(ledger_id, verdicts or {})


async def _made(store: Store, *pieces: Piece, zone: str | None = None) -> Counter[Made]:
    async with store.reading() as reading:
        return Counter(await reading.count_made(pieces, zone))


def _row(part: int, number: int, *, item: str | None = None, seconds: float | None = None, final: str = "good") -> Made:
    return Made(part, "fasten", item, None, "good", final, seconds, number)


async def test_fasteners_are_counted_by_the_part_of_their_piece_and_by_all_that_tells_them_apart(store: Store) -> None:
    rows = [
        fastener(1, 0, seconds=0.1),
        fastener(2, 9, seconds=0.1),
        fastener(3, 10, seconds=0.1),
        fastener(4, 11, seconds=0.1 + 2**-56),
        fastener(5, 12),
        fastener(6, 13, item=TEXTS[4]),
        fastener(7, 14, item=""),
        fastener(8, 15, zone="2"),
        fastener(9, 20),
    ]
    await _book(store, Booked(fasteners=rows), verdicts={(1, 5): "reject"})
    await _book(store, Booked(fasteners=[fastener(1, 5)]), B)
    # The piece between two belongs to none, and so do its end and cells that are not asked for.
    found = await _made(store, Piece(A, 7, 0, 10), Piece(A, 7, 11, 12), Piece(A, 8, 12, 20), Piece("nowhere", 9, 0, 20))
    assert found == Counter(
        [
            _row(7, 2, seconds=0.1),
            _row(7, 1, seconds=0.1 + 2**-56),
            _row(8, 1, final="reject"),
            _row(8, 1, item=TEXTS[4]),
            _row(8, 1, item=""),
            _row(8, 1),
        ]
    )
    assert await _made(store, Piece(A, 0, 15, 16), zone="2") == Counter([_row(0, 1)])
    assert await _made(store, Piece(A, 0, 15, 16), zone="1") == Counter()
    assert await _made(store, Piece(A, 0, 5, 6), Piece(B, 1, 5, 6)) == Counter([_row(1, 1)])
    assert await _made(store) == Counter()


async def test_fasteners_are_counted_at_the_bounds_of_time(store: Store) -> None:
    await _book(store, Booked(fasteners=[fastener(1, BEFORE_1970_US), fastener(2, YEAR_9999_US)]))
    whole = Piece(A, 0, BEFORE_1970_US, YEAR_9999_US + 1)
    assert await _made(store, whole) == Counter([_row(0, 2)])
    assert await _made(store, whole._replace(end_us=YEAR_9999_US)) == Counter([_row(0, 1)])


def _at(*instants: int) -> list[Fastener]:
    return [fastener(seq, at_us) for seq, at_us in enumerate(instants, start=1)]


async def _busiest(
    store: Store, *pieces: Piece, length_us: int = 10, last_us: int = 90, zone: str | None = None
) -> tuple[int, int] | None:
    async with store.reading() as reading:
        return await reading.busiest(pieces, zone, length_us, last_us)


async def test_the_busiest_stretch_is_half_open_and_the_first_of_equal_ones(store: Store) -> None:
    await _book(store, Booked(fasteners=_at(0, 10, 20, 20, 29, 30, 50, 59, 59, 99)))
    whole = Piece(A, 0, 0, 100)
    assert await _busiest(store, whole) == (20, 3)
    assert await _busiest(store, whole, length_us=11) == (20, 4)
    assert await _busiest(store, Piece(A, 0, 0, 20), Piece(A, 0, 30, 100)) == (50, 3)
    assert await _busiest(store, whole, last_us=10) == (0, 1)
    assert await _busiest(store, whole, last_us=15) == (15, 2)
    # An hour has more microseconds than 32 bits hold.
    assert await _busiest(store, whole, length_us=3_600_000_000) == (0, 10)


async def test_the_busiest_stretch_may_be_the_last_one(store: Store) -> None:
    await _book(store, Booked(fasteners=_at(1, 94, 95)))
    assert await _busiest(store, Piece(A, 0, 0, 100)) == (90, 2)
    assert await _busiest(store, Piece(A, 0, 0, 95)) == (1, 1)
    assert await _busiest(store, Piece(A, 0, 50, 95)) == (90, 1)


async def test_the_busiest_stretch_of_several_cells_is_that_of_all_together(store: Store) -> None:
    await _book(store, Booked(fasteners=[*_at(0, 1, 50, 51), fastener(9, 2, zone="2")]))
    await _book(store, Booked(fasteners=_at(52, 53)), B)
    both = Piece(A, 0, 0, 100), Piece(B, 0, 0, 100)
    assert await _busiest(store, *both) == (50, 4)
    assert await _busiest(store, both[0]) == (0, 3)
    assert await _busiest(store, both[0], zone="2") == (2, 1)
    assert await _busiest(store, both[0], zone="3") is None
    assert await _busiest(store) is None


async def _raised(store: Store, *wanted: Wanted) -> list[Raised | None]:
    async with store.reading() as reading:
        return await reading.last_raises(wanted)


def _stop(seq: int, at_us: int, subsystem: str | None, *, zone: str = "", code: str = "clamp", boot: int = 1) -> Alarm:
    return alarm(seq, at_us, zone=zone, code=code, subsystem=subsystem)._replace(boot=boot)


async def test_the_last_raise_of_a_code_is_found_however_long_ago(store: Store) -> None:
    rows = [
        _stop(1, BEFORE_1970_US, "first"),
        _stop(2, 50, "second"),
        _stop(3, 50, "third"),
        _stop(1, 50, "fourth", boot=2),
    ]
    await _book(store, Booked(alarms=rows))
    asked = [Wanted(A, "", "clamp", until_us) for until_us in (BEFORE_1970_US - 1, 49, 50, YEAR_9999_US)]
    assert await _raised(store, *asked) == [
        None,
        Raised(BEFORE_1970_US, "first"),
        Raised(50, "fourth"),
        Raised(50, "fourth"),
    ]
    assert await _raised(store) == []


async def test_a_raise_is_that_of_its_cell_its_code_and_what_it_bears_on(store: Store) -> None:
    rows = [
        _stop(1, 10, None),
        _stop(2, 20, "left", zone="1"),
        _stop(3, 30, "right", zone="2"),
        _stop(4, 40, "notice")._replace(severity="notice"),
        *(_stop(10 + i, 50, str(i), code=code) for i, code in enumerate(TEXTS)),
    ]
    await _book(store, Booked(alarms=rows))
    await _book(store, Booked(alarms=[_stop(1, 45, "other")]), B)
    zones = await _raised(store, *(Wanted(A, zone, "clamp", 60) for zone in ("", "1", "2", "3")))
    assert zones == [Raised(30, "right"), Raised(20, "left"), Raised(30, "right"), Raised(10, None)]
    others = await _raised(
        store, Wanted(B, "", "clamp", 60), Wanted("nowhere", "", "clamp", 60), Wanted(A, "", "other", 60)
    )
    assert others == [Raised(45, "other"), None, None]
    hostile = await _raised(store, *(Wanted(A, "", code, 60) for code in TEXTS))
    assert hostile == [Raised(50, str(i)) for i in range(len(TEXTS))]
