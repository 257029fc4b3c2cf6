"""Asks a running service what became of a ledger file's messages, over its public API only."""

import asyncio
from pathlib import Path
from time import monotonic

from zoneledger_cli.asking import POLL_S, Asked, TooMuch, client_of
from zoneledger_cli.progress import Told, silent
from zoneledger_sim.clock import rfc3339
from zoneledger_sim.differences import Differences
from zoneledger_sim.fates import ACKNOWLEDGED, Fates, instant_us
from zoneledger_sim.ledger_file import read_lines, read_truth
from zoneledger_sim.missing import Gap, Run, runs_of
from zoneledger_sim.truth import Truth
from zoneledger_sim.verification import Answers, Verification, conclude

#: How long what is stored has to stay the same until nothing more is expected to come.
QUIET_S = 10.0
#: Which part of the work is done once all is taken in.
DRAINED = 0.5
EXPORT_LIMIT, LIST_LIMIT, REFUSED_LIMIT = 5000, 1000, 100


async def _received(asked: Asked, fates: Fates) -> tuple[int, int]:
    """Return how many messages of the ledger file's cells were stored or refused, and how many came again."""
    cells = set(fates.cells())
    lines = [line for site in (await asked.get("/v1/units", {}))["sites"] for line in site["lines"]]
    counts = [cell["received"] for line in lines for cell in line["cells"] if cell["unit"] in cells]
    arrived = sum(one[name] for one in counts for name in ("events", "snapshots", "refused"))
    return arrived, sum(one["duplicate"] for one in counts)


async def verify(
    ledger: Path, url: str, wait_s: float, quiet_s: float = QUIET_S, told: Told = silent, key: str | None = None
) -> Verification:
    """Return what became of the messages of a ledger file at the service at `url`, and how far its figures are from the truth.

    Waits at most `wait_s` seconds until the service is ready, and at most so long again until what was acknowledged is
    stored or refused, unless nothing came for `quiet_s`. Raises ValueError for a file that is none or a `url` that is no
    service, OSError where it does not answer.
    """
    began = monotonic()
    _check(ledger)
    reading = asyncio.create_task(asyncio.to_thread(_read, ledger))
    async with client_of(url, key) as client:
        asked = Asked(client, url.rstrip("/"))
        await asked.get("/health/ready", {}, wait_s)
        recover_s = monotonic() - began
        fates, truth = await reading
        drain_s = await _drain(asked, fates, wait_s, quiet_s, told) - began
        _, duplicates = await _received(asked, fates)
        gaps = [
            Gap(row["cell"], row["boot"], row["first_seq"], row["last_seq"])
            async for page in asked.pages("gaps", LIST_LIMIT)
            for row in page
        ]
        differences = None
        if truth is not None:
            differences = await asyncio.to_thread(_settled, ledger, truth, fates)
            cells, number = differences.cells(), fates.count(ACKNOWLEDGED)
            for i, cell in enumerate(cells):
                told(DRAINED + (1 - DRAINED) * i / len(cells), number)
                await _compare(asked, differences, cell)
    await asyncio.to_thread(_name_lost, ledger, fates)
    return conclude(fates, Answers(runs_of(gaps), duplicates, recover_s, drain_s), differences)


def _check(ledger: Path) -> None:
    """Say at once where a file is no ledger file, before anybody waits."""
    if not ledger.is_file():
        raise ValueError(f"there is no ledger file {ledger}")
    next(read_lines(ledger))


def _read(ledger: Path) -> tuple[Fates, Truth | None]:
    fates, truth = Fates(), None
    for line in read_lines(ledger):
        fates.take_line(line)
        if line["line"] == "truth":
            truth = read_truth(line)
    return fates, truth


async def _drain(asked: Asked, fates: Fates, wait_s: float, quiet_s: float, told: Told) -> float:
    """Take what is stored and refused once all that was acknowledged is, or nothing more comes; return when it came last."""
    began = changed = monotonic()
    arrived = taken = -1
    wanted = fates.count(ACKNOWLEDGED)
    while True:
        now, _ = await _received(asked, fates)
        told(DRAINED * min(1, now / max(1, wanted)), now)
        if now != arrived:
            arrived, changed = now, monotonic()
        ends = monotonic() - changed > quiet_s or monotonic() - began > wait_s
        if ends or (arrived >= wanted and arrived != taken):
            taken = arrived
            await _take_all(asked, fates)
            if ends or not fates.lost():
                return changed
        await asyncio.sleep(POLL_S)


async def _take_all(asked: Asked, fates: Fates) -> None:
    fates.forget_answers()
    async for page in asked.pages("events", EXPORT_LIMIT):
        for row in page:
            fates.take_event(row)
    async for page in asked.pages("snapshots", EXPORT_LIMIT):
        for row in page:
            fates.take_snapshot(row)
    async for page in asked.pages("refused", REFUSED_LIMIT):
        for row in page:
            fates.take_refused(row)


def _settled(ledger: Path, truth: Truth, fates: Fates) -> Differences:
    differences = Differences(truth, fates)
    for line in read_lines(ledger):
        differences.take_line(line)
    differences.settle()
    return differences


def _name_lost(ledger: Path, fates: Fates) -> None:
    """Find the first lost message in the ledger file, for people to look for."""
    if not fates.lost():
        return
    for line in read_lines(ledger):
        for message in line.get("messages", ()):
            if fates.is_lost(line["cell"], message):
                fates.show("lost", {"cell": line["cell"], **message})
                return


async def _compare(asked: Asked, differences: Differences, cell: str) -> None:
    units = differences.units_of(cell)
    for window in differences.windows(cell):
        await _compare_spans(asked, differences, cell, window)
        for unit in units:
            kpi = await asked.get(f"/v1/kpi/{unit}", _query(window))
            differences.take_fasteners(unit, window, kpi["fasteners"])


async def _compare_spans(asked: Asked, differences: Differences, cell: str, window: Run) -> None:
    """Compare the timelines of a cell and its zones; where they have too many spans at once, by halves."""
    try:
        answer = await asked.get(f"/v1/timeline/{cell}", _query(window))
    except TooMuch:
        middle = (window[0] + window[1]) // 2
        for half in ((window[0], middle), (middle, window[1])):
            await _compare_spans(asked, differences, cell, half)
        return
    told = {one["unit"]: one["spans"] for one in answer["units"]}
    for unit in differences.units_of(cell):
        spans = [
            (instant_us(span["start"]), instant_us(span["end"]), (span["state"], span["reason"]))
            for span in told.get(unit, ())
        ]
        differences.take_spans(unit, window, spans)


def _query(window: Run) -> dict[str, str]:
    start_us, end_us = window
    return {"start": rfc3339(start_us), "end": rfc3339(end_us)}
