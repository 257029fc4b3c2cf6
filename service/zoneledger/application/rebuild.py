"""Derives a cell's ledger anew from its messages: one that is not right beside the old one, which is read until it is whole."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from zoneledger.application.book import (
    EVENTS_PER_CHECKPOINT,
    Changes,
    Refold,
    difference,
    dump,
    give_verdicts,
    load,
    next_messages,
    rewrite,
)
from zoneledger.application.giving_way import giving_way, uncollected
from zoneledger.application.plants import FOREVER_US
from zoneledger.application.ports import Store, Writing
from zoneledger.application.restating import differing, joined, recounted, restatements
from zoneledger.application.rightness import MESSAGES_AT_A_TIME, Held
from zoneledger.application.stored import Arrivals, Checkpoint, Head, Key, Outdated, Stretch
from zoneledger.core.booking import FOLD, Booking, Limits
from zoneledger.core.errors import UnitUnknown, ZoneledgerError
from zoneledger.core.messages import Event, Message
from zoneledger.core.plant_changes import BEGINNING_US
from zoneledger.core.rows import Booked
from zoneledger.core.spans import Interval

#: A ledger that no head names, and that nobody has worked on for so long, was given up.
ABANDONED_US = 60_000_000
#: How many rows are copied or removed, and events folded, in one transaction, as each costs its statements.
ROWS_AT_ONCE, EVENTS_AT_ONCE = 2000, 2000

Clock = Callable[[], int]


class RebuildUnderWay(ZoneledgerError):
    """A cell's ledger is being derived anew by somebody else."""

    code = "rebuild_under_way"


@dataclass(slots=True)
class _New:
    """A new ledger while it is derived: how far it is, and the times in which it differs from the old one."""

    ledger_id: int
    old: Head
    arrivals: Arrivals
    booking: Booking
    events_since_checkpoint: int = 0
    after: Key | None = None
    times: list[Interval] = field(default_factory=list)
    judged: set[tuple[str, str]] = field(default_factory=set)
    derived_from_us: int | None = None
    events: int = 0


def _tell_nobody(_events: int) -> None:
    """Tell nobody how many events were folded so far."""


async def rebuild(
    store: Store,
    cell: str,
    clock: Clock,
    limits: Limits,
    tell: Callable[[int], None] = _tell_nobody,
    *,
    anew: bool = False,
) -> bool:
    """Fold all stored messages of a cell and put a new ledger in the old one's place; return whether figures changed.

    One that is right is left as it is, unless it is wanted `anew`. Works in short transactions, so that messages are taken
    in meanwhile; readers see the old ledger until the last of them. `tell` is told how many events were folded so far.
    Raises UnitUnknown for a cell that never sent anything, and RebuildUnderWay while another one works on it.
    """
    new = await _begin(store, cell, clock, limits)
    if not anew and new.old.fold == FOLD and await _is_right(store, new, clock, tell):
        await _remove_others(store, cell, clock, at_once=True)
        return False
    await _copy_what_has_no_messages(store, new, clock)
    is_whole = False
    while not is_whole:
        async with store.writing() as writing:
            await writing.lock_heads([cell])  # nothing is booked between reading the messages and the old ledger
            await _touch(writing, new, clock)
            with uncollected():
                is_whole = await _fold_piece(writing, new, clock())
        tell(new.events)
    changed = await _put_in_place(store, new, clock, limits)
    await _remove_others(store, cell, clock, at_once=True)
    return changed


async def _begin(store: Store, cell: str, clock: Clock, limits: Limits) -> _New:
    async with store.reading() as reading:
        if cell not in await reading.heads([cell]):
            raise UnitUnknown(f"No cell {cell[:200]} has ever sent a message.")
    await _remove_others(store, cell, clock, at_once=False)
    async with store.writing() as writing:
        # Whoever is taking in messages of this cell has ended: what is numbered up to here can be read.
        head = (await writing.lock_heads([cell]))[cell]
        ledger_id = await writing.begin_ledger(cell, clock())
        booking = load(await _kept_from(writing, head), limits)
        arrivals = await writing.arrivals(head.cell_id)
        return _New(ledger_id, head, arrivals, booking, after=head.kept_after, derived_from_us=head.derived_from_us)


async def _is_right(store: Store, new: _New, clock: Clock, tell: Callable[[int], None]) -> bool:
    """Tell whether the old ledger is what its messages make; most are, and no row of a ledger is written for them."""
    held = Held(load(dump(new.booking), new.booking.limits), new.after)
    while True:
        async with store.writing() as writing:
            head = (await writing.lock_heads([new.old.cell]))[new.old.cell]
            await _touch(writing, new, clock)
            with uncollected():
                if not await held.agrees(writing, head):
                    return False
        tell(held.events)
        if held.after is None:
            return True


async def _kept_from(writing: Writing, head: Head) -> str:
    """Return the booking that the messages that are kept follow on."""
    if head.kept_after is None:
        return ""
    boot, seq = head.kept_after
    checkpoint = await writing.checkpoint_before(head.ledger_id, (boot, seq + 1))
    assert checkpoint is not None
    assert checkpoint[:2] == head.kept_after
    return checkpoint.booking


async def _copy_what_has_no_messages(store: Store, new: _New, clock: Clock) -> None:
    """Copy the part of the old ledger whose messages are not kept any more: it changes no more, but for verdicts given now."""
    if new.after is None:
        return
    if new.old.fold < FOLD:  # earlier rules did not book activities and alarms, and nothing tells them any more
        new.derived_from_us = new.booking.booked_us
    stretch, reached = stretch_upto(new.booking), None
    while True:
        async with store.writing() as writing:
            await _touch(writing, new, clock)
            reached = await writing.copy_booked(new.old.ledger_id, new.ledger_id, stretch, reached, ROWS_AT_ONCE)
        if reached is None:
            return


async def is_under_way(writing: Writing, head: Head, now_us: int) -> bool:
    """Tell whether somebody is deriving a cell's ledger anew; its head is locked."""
    touched = {number: at for number, at in (await writing.ledgers(head.cell)).items() if number != head.ledger_id}
    return any(at > now_us - ABANDONED_US for at in touched.values())


async def _remove_others(store: Store, cell: str, clock: Clock, *, at_once: bool) -> None:
    """Remove the ledgers of a cell that its head does not name; without `at_once` those that were given up."""
    async with store.writing() as writing:
        head = (await writing.lock_heads([cell]))[cell]
        others = [number for number in await writing.ledgers(cell) if number != head.ledger_id]
        if not at_once and await is_under_way(writing, head, clock()):
            raise RebuildUnderWay(f"Another rebuild of {cell} is under way, or was broken off less than a minute ago.")
    for ledger_id in others:
        is_gone = False
        while not is_gone:
            async with store.writing() as writing:
                is_gone = await writing.remove_ledger(ledger_id, ROWS_AT_ONCE)


async def _touch(writing: Writing, new: _New, clock: Clock) -> None:
    if not await writing.touch_ledger(new.ledger_id, clock()):
        raise RebuildUnderWay(f"Another rebuild of {new.old.cell} has taken over.")


async def _fold(new: _New, messages: Iterable[Message]) -> list[Checkpoint]:
    """Fold messages into the new ledger; return the checkpoints that lie among them."""
    checkpoints = []
    async for message in giving_way(messages, MESSAGES_AT_A_TIME):
        new.booking.add(message)
        new.events_since_checkpoint += isinstance(message, Event)
        new.events += isinstance(message, Event)
        if new.events_since_checkpoint >= EVENTS_PER_CHECKPOINT:
            new.events_since_checkpoint = 0
            checkpoints.append(Checkpoint(message.boot, message.seq, dump(new.booking)))
    return checkpoints


async def _fold_piece(writing: Writing, new: _New, now_us: int) -> bool:
    """Fold the next messages into the new ledger and note where it differs from the old; return whether no more follow."""
    piece = Refold(load(dump(new.booking), new.booking.limits), new.booking)
    messages, new.after = await next_messages(writing, new.old.cell_id, new.after, EVENTS_AT_ONCE)
    piece.checkpoints = await _fold(new, messages)
    piece.agreed = new.booking.place if new.after is not None else None
    rows = new.booking.take_booked()
    await writing.add_booked([(new.ledger_id, rows)])
    await writing.put_checkpoints([(new.ledger_id, row) for row in piece.checkpoints])
    head = replace(new.old, ledger_id=new.ledger_id)
    await give_verdicts(writing, Changes(), head, Booked(verdicts=rows.verdicts), now_us)
    new.judged |= {(row.panel, row.position) for row in rows.verdicts}
    gone, come = difference(await writing.booked(new.old.ledger_id, piece.stretch()), rows)
    if new.old.fold < FOLD:  # what earlier rules did not book at all was never told
        come.activities = []
    new.times += joined(differing(gone.spans, come.spans) + recounted(gone, come))
    return new.after is None


def stretch_upto(booking: Booking) -> Stretch:
    """Return the part of a ledger that ends with a booking's last message: its open spans do not belong to it."""
    stops = {zone: span[0] for zone, span in booking.open.items()}
    return Stretch(None, booking.place, {}, stops, booking.booked_us)


async def _put_in_place(store: Store, new: _New, clock: Clock, limits: Limits) -> bool:
    """Bring the new ledger up to what has arrived meanwhile, and let the cell's head name it; return whether figures changed."""
    async with store.writing() as writing:
        head = (await writing.lock_heads([new.old.cell]))[new.old.cell]
        await _touch(writing, new, clock)
        before = load(head.booking, limits)
        changed = replace(
            head,
            ledger_id=new.ledger_id,
            booking=dump(new.booking),
            fold=FOLD,
            derived_from_us=new.derived_from_us,
            events_since_checkpoint=new.events_since_checkpoint,
        )
        places, now_us = await writing.places_since(head.cell_id, new.arrivals), clock()
        await rewrite(writing, Changes(), changed, places, limits, now_us)
        times = new.times + await _judged_otherwise(writing, new, head.ledger_id)
        spans = [one.open_spans(head.link_down_us, now_us) for one in (before, load(changed.booking, limits))]
        times += differing(*spans)
        if times and places:  # what came meanwhile was booked on top of a ledger that was wrong
            times.append((min(start_us for start_us, _ in times), before.booked_us))
        await writing.add_revisions(restatements(head.cell, times, now_us, now_us, "rebuild"))
        await writing.drop_presums([Outdated(head.cell, BEGINNING_US, FOREVER_US)])
        await writing.save_heads([changed])
    return bool(times)


async def _judged_otherwise(writing: Writing, new: _New, old_id: int) -> list[Interval]:
    """Return the times of fasteners whose verdict is another one than in the old ledger."""
    found, positions = [], sorted(new.judged)
    for start in range(0, len(positions), 1000):
        some = positions[start : start + 1000]
        (now, _), (then, _) = await writing.made_at(new.ledger_id, some), await writing.made_at(old_id, some)
        found += [(row.at_us, row.at_us + 1) for row, _ in set(now) ^ set(then)]
    return found
