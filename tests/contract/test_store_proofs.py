"""The Store port: acceptance runs, and fasteners page by page."""

from tests.contract.rows import TEXTS, A, B, fastener, verdict
from zoneledger.application.ports import Store
from zoneledger.application.stored import ProofRow
from zoneledger.core.rows import Booked

ROW = ProofRow(A, 5, 9, '{"name": "first"}', 7)


async def test_runs_are_listed_as_they_were_declared(store: Store) -> None:
    rows = [ROW._replace(declared=text, unit=unit) for text, unit in zip(TEXTS, [A, B] * 5, strict=True)]
    for row in rows:
        async with store.writing() as writing:
            number = await writing.add_proof(row)
        async with store.reading() as reading:
            found = await reading.proof(number)
        assert found is not None
        assert (found.id, found.cell, found.row) == (number, row.unit, row)
    async with store.reading() as reading:
        first = await reading.proofs(0, 4)
        rest = await reading.proofs(first[-1].id, 100)
        assert [one.row for one in first + rest] == rows
        assert await reading.proof(rest[-1].id + 1) is None
        assert await reading.proof(0) is None


async def test_a_run_is_frozen_once(store: Store) -> None:
    async with store.writing() as writing:
        number, other = await writing.add_proof(ROW), await writing.add_proof(ROW)
        assert await writing.freeze_proof(number, "{}", 20)
    async with store.writing() as writing:
        assert not await writing.freeze_proof(number, '{"other": 1}', 30)
    async with store.reading() as reading:
        found = await reading.proofs(0, 9)
    assert [(one.id, one.row.frozen, one.row.frozen_us) for one in found] == [(number, "{}", 20), (other, None, None)]


async def test_fasteners_of_a_window_come_by_time_and_page_by_page(store: Store) -> None:
    rows = [
        fastener(seq, at_us, panel="p", position=str(seq))
        for seq, at_us in ((1, 30), (2, 10), (3, 10), (4, 20), (5, 40))
    ]
    async with store.writing() as writing:
        heads = await writing.lock_heads([A, B])
        ledger_id = heads[A].ledger_id
        await writing.add_booked([(ledger_id, Booked(fasteners=rows, verdicts=[verdict(6, "p", "3")]))])
        await writing.add_booked([(heads[B].ledger_id, Booked(fasteners=rows[:1]))])
        await writing.put_verdicts(ledger_id, {(1, 3): "reject"})
    async with store.reading() as reading:
        first = await reading.fasteners(A, 10, 40, None, 2)
        last = first[-1][0]
        rest = await reading.fasteners(A, 10, 40, (last.at_us, last.boot, last.seq), 9)
        assert [(row.seq, given) for row, given in first + rest] == [(2, None), (3, "reject"), (4, None), (1, None)]
        assert first[0][0] == rows[1]
        assert await reading.fasteners(B, 0, 99, None, 9) == [(rows[0], None)]
        assert await reading.fasteners("nobody", 0, 99, None, 9) == []
