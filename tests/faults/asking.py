"""What a row asks the service beside what `verify` does: refused messages, figures, and the time that the oracle books."""

import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import Any

from tests.faults.bench import Bench
from tests.oracle import ledger as oracle
from tests.oracle.record import EARLIEST_US
from zoneledger_sim.clock import rfc3339
from zoneledger_sim.condition import Standing
from zoneledger_sim.controller import Message
from zoneledger_sim.fates import instant_us
from zoneledger_sim.ledger_file import read_ledger

ASK_EVERY_S = 0.1

Spans = list[tuple[int, int, Standing]]
"""(start_us, end_us, (state, reason)) of what is known, sorted."""

Answers = dict[str, Any]


def received(bench: Bench) -> dict[str, dict[str, Any]]:
    """Return what was received from each cell of the plant, by its path."""
    lines = [line for site in bench.service.get("/v1/units")["sites"] for line in site["lines"]]
    return {cell["unit"]: cell["received"] for line in lines for cell in line["cells"]}


def arrived(bench: Bench) -> int:
    """Return how many messages were stored, known already or refused, of all cells of the plant."""
    kinds = ("events", "snapshots", "duplicate", "refused")
    return sum(int(counts[kind]) for counts in received(bench).values() for kind in kinds)


def _wait(bench: Bench, number: Callable[[Bench], int], wanted: int, what: str) -> None:
    """Wait until a number is reached; asks seldom, as each answer costs the service time."""

    def is_reached() -> bool:
        time.sleep(ASK_EVERY_S)
        return number(bench) >= wanted

    bench.wait_until(is_reached, f"{wanted} messages {what}", 120)


def wait_for_arrival(bench: Bench, messages: int) -> None:
    """Wait until so many messages have arrived in all."""
    _wait(bench, arrived, messages, "have arrived")


def wait_for_refusals(bench: Bench, messages: int) -> None:
    """Wait until so many messages of cells of the plant have been refused."""
    _wait(bench, _refused, messages, "are refused")


def _refused(bench: Bench) -> int:
    return sum(int(counts["refused"]) for counts in received(bench).values())


def reasons(bench: Bench) -> Counter[str]:
    """Return how many messages were refused, by reason."""
    counts = bench.service.get("/v1/refused/counts")["reasons"]
    return Counter({one["reason"]: one["number"] for one in counts})


def listed(bench: Bench, name: str, **query: Any) -> Iterator[dict[str, Any]]:
    """Yield all rows of a list of the API."""
    after: int | None = 0
    while after is not None:
        page = bench.service.get(f"/v1/{name}", after=after, limit=100, **query)
        yield from page[name]
        after = page["next"]


def window(start_us: int, end_us: int) -> dict[str, str]:
    """Return a window as the API takes it."""
    return {"start": rfc3339(start_us), "end": rfc3339(end_us)}


def told_of(bench: Bench, cell: str, start_us: int, end_us: int) -> Answers:
    """Return all that the API tells of a cell and its zones in a window: figures by hour, spans, gaps and contradictions."""
    within = window(start_us, end_us)
    units = [cell, *(f"{cell}/{zone}" for zone in ("1", "2"))]
    return {
        **{f"kpi {unit}": bench.service.get(f"/v1/kpi/{unit}", by="hour", **within) for unit in units},
        "timeline": bench.service.get(f"/v1/timeline/{cell}", **within),
        **{name: list(listed(bench, name, unit=cell)) for name in ("gaps", "discrepancies")},
    }


def revision(bench: Bench, unit: str, start_us: int, end_us: int) -> int:
    """Return the revision of a unit's figures in a window."""
    return int(bench.service.get(f"/v1/kpi/{unit}", **window(start_us, end_us))["revision"])


def acknowledged(bench: Bench) -> dict[str, list[Message]]:
    """Return the messages of the ledger file that the broker has acknowledged, by cell."""
    found: dict[str, list[Message]] = {}
    for cell, message in read_ledger(bench.sent.ledger).messages():
        found.setdefault(cell, []).append(message)
    return found


def oracle_difference_s(bench: Bench, messages: Mapping[str, list[Message]]) -> float:
    """Return for how long a unit's time at most is another than the oracle reads off its messages, unknown time included.

    That reaches from a cell's first message to its last; each fastener that is not counted there with its final result, or
    that is counted too much, counts as a second. The oracle takes the square of the number of a cell's messages.
    """
    return max(_cell_difference_s(bench, cell, told) for cell, told in messages.items())


def _cell_difference_s(bench: Bench, cell: str, messages: list[Message]) -> float:
    derived = oracle.derive(messages)
    at_us = [instant_us(message["at"]) for message in messages]
    start_us, end_us = min(us for us in at_us if us >= EARLIEST_US), max(at_us)
    timeline = bench.service.get(f"/v1/timeline/{cell}", **window(start_us, end_us))
    told_spans = {unit["unit"]: known_spans(unit["spans"]) for unit in timeline["units"]}
    worst_us = 0
    for unit, pieces in {cell: derived.cell, **{f"{cell}/{zone}": own for zone, own in derived.zones.items()}}.items():
        should: Spans = [
            (p.start_us, min(p.end_us, end_us), (p.state, p.reason)) for p in pieces if p.start_us < end_us
        ]
        worst_us = max(worst_us, differing_us(should, told_spans[unit]))
    should_count = dict.fromkeys(("good", "rework", "reject"), 0)
    for made in derived.fasteners:
        should_count[made.result] += start_us <= made.at_us < end_us
    told = bench.service.get(f"/v1/kpi/{cell}", **window(start_us, end_us))["fasteners"]
    miscounted = sum(abs(int(told[result]) - number) for result, number in should_count.items())
    return worst_us / 1e6 + miscounted


def known_spans(spans: list[dict[str, Any]]) -> Spans:
    """Return the spans of a timeline's unit that are known."""
    return [
        (instant_us(span["start"]), instant_us(span["end"]), (span["state"], span["reason"]))
        for span in spans
        if span["state"] != "unknown"
    ]


def differing_us(one: Spans, other: Spans) -> int:
    """Return for how long two accounts of time differ; what is in neither is unknown in both."""
    edges = sorted({edge for spans in (one, other) for start_us, end_us, _ in spans for edge in (start_us, end_us)})
    return sum(
        end_us - start_us
        for start_us, end_us in pairwise(edges)
        if _standing_at(one, start_us) != _standing_at(other, start_us)
    )


def _standing_at(spans: Spans, at_us: int) -> Standing | None:
    return next((standing for start_us, end_us, standing in spans if start_us <= at_us < end_us), None)
