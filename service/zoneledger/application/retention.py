"""Forgets messages, and later the ledger, once they are older than they are kept; what is left stays exactly as it was."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial

from zoneledger.application.book import CHECKPOINTS_AT_ONCE, load
from zoneledger.application.ports import Store, Writing
from zoneledger.application.rebuild import ROWS_AT_ONCE, Clock, is_under_way, stretch_upto
from zoneledger.application.stored import Checkpoint, Key, Outdated
from zoneledger.application.upkeep import keep_doing
from zoneledger.core.booking import Limits
from zoneledger.core.plant_changes import BEGINNING_US


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long messages are kept, and the ledger, in microseconds (None: for good); the ledger is kept at least as long."""

    messages_us: int
    ledger_us: int | None


async def keep_forgetting(store: Store, keeping: Keeping, clock: Clock, limits: Limits) -> None:
    """Forget what is too old, again and again, until cancelled."""

    async def work() -> bool:
        await forget(store, keeping, clock, limits)
        return True

    await keep_doing(work, "nothing more is forgotten")


async def forget(store: Store, keeping: Keeping, clock: Clock, limits: Limits) -> None:
    """Forget what is older than it is kept, piece by piece, so that messages are taken in and figures read meanwhile.

    Of each cell, messages go up to one of its checkpoints, from which its ledger can be derived on: of a cell that was silent
    since, its last few hundred stay. Killed in the middle, it goes on the next time. A cell whose ledger is being rebuilt has its
    turn later.
    """
    now_us = clock()
    async with store.reading() as reading:
        cells = await reading.cells()
    for cell in cells:
        await _forget_cell(store, cell, keeping, now_us, limits)
    await _again(store, lambda writing: writing.forget_refused(now_us - keeping.messages_us, ROWS_AT_ONCE))


async def _again(store: Store, piece: Callable[[Writing], Awaitable[bool]]) -> None:
    done = False
    while not done:
        async with store.writing() as writing:
            done = await piece(writing)


async def _forget_revisions(writing: Writing, unit: str, before_us: int) -> bool:
    return await writing.forget_revisions(unit, before_us, ROWS_AT_ONCE)


async def _forget_cell(store: Store, cell: str, keeping: Keeping, now_us: int, limits: Limits) -> None:
    async with store.writing() as writing:
        head = (await writing.lock_heads([cell]))[cell]
        if await is_under_way(writing, head, now_us):
            return
        upto = await _last_before(writing, head.ledger_id, head.kept_after, now_us - keeping.messages_us, limits)
        if upto is not None:
            head.kept_boot, head.kept_seq = upto.boot, upto.seq
        ledger_upto = None
        if keeping.ledger_us is not None:
            ledger_upto = await _last_before(writing, head.ledger_id, None, now_us - keeping.ledger_us, limits)
        if ledger_upto is not None:
            head.ledger_from_us = load(ledger_upto.booking, limits).booked_us
            await writing.drop_presums([Outdated(cell, BEGINNING_US, head.ledger_from_us + 1)])
        await writing.save_heads([head])
    key, cell_id, ledger_id = head.kept_after, head.cell_id, head.ledger_id
    if key is not None:
        await _again(store, lambda writing: writing.forget_messages(cell_id, key, ROWS_AT_ONCE))
    if ledger_upto is not None:
        booking = load(ledger_upto.booking, limits)
        stretch = stretch_upto(booking)
        await _again(store, lambda writing: writing.forget_booked(ledger_id, stretch, ROWS_AT_ONCE))
        for unit in (cell, *(f"{cell}/{zone}" for zone in booking.open if zone)):
            await _again(store, partial(_forget_revisions, unit=unit, before_us=booking.booked_us))


async def _last_before(
    writing: Writing, ledger_id: int, after: Key | None, before_us: int, limits: Limits
) -> Checkpoint | None:
    """Return the last checkpoint after a key whose booked time lies before then: booked time never runs backwards."""
    found: Checkpoint | None = None
    while True:
        page = await writing.next_checkpoints(ledger_id, after, CHECKPOINTS_AT_ONCE)
        for row in page:
            if load(row.booking, limits).booked_us >= before_us:
                return found
            found, after = row, (row.boot, row.seq)
        if len(page) < CHECKPOINTS_AT_ONCE:
            return found
