"""Faults of the stream of messages itself: doubled, contradicting, shuffled, late or missing ones, restarts of controllers."""

import random
from collections.abc import Callable
from dataclasses import replace

from tests.faults.asking import acknowledged, arrived, listed, reasons, revision, told_of, wait_for_arrival
from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.sending import HOUR_US
from tests.faults.streams import TOPICS, array_of, batched, calm_hours, encoded, hours, publish
from tests.faults.table import fault
from zoneledger_sim.controller import Message, Outgoing
from zoneledger_sim.fates import instant_us
from zoneledger_sim.plan import Misbehaviour


@fault("stream", "each message twice, then all of them again")
def _doubled(bench: Bench) -> Outcome:
    bench.serve(misbehaviour=Misbehaviour(duplicate=1.0))
    with bench.sending():
        bench.wait_for_events(2000 if bench.full else 500)
    sent = acknowledged(bench)
    at_us = [instant_us(message["at"]) for messages in sent.values() for message in messages]
    window = min(at_us), max(at_us)
    wait_for_arrival(bench, sum(map(len, sent.values())))
    before = {cell: told_of(bench, cell, *window) for cell in sent}
    again = [(cell, texts) for cell, messages in sent.items() for texts in batched(map(encoded, messages), 301)]
    random.Random(bench.seed).shuffle(again)
    publish(bench, [(TOPICS.events(cell), array_of(texts)) for cell, texts in again])
    bench.over()
    wait_for_arrival(bench, 2 * sum(map(len, sent.values())))
    assert before == {cell: told_of(bench, cell, *window) for cell in sent}
    outcome = bench.check()
    return replace(outcome, note=f"{arrived(bench) - outcome.stored} came again")


def _forged(message: Message, rng: random.Random) -> Message:
    """Return the message with other content, at its own place in the sequence."""
    altered = dict(message)
    match rng.randrange(3):
        case 0:
            altered["at"] = message["at"][:-1] + "+01:00"
        case 1:
            altered["zone"] = "2" if message.get("zone") != "2" else "1"
        case _:
            altered |= {"type": "verdict", "panel": "forged", "position": "1", "result": "reject"}
    return altered


@fault("stream", "500 keys again with other content")
def _contradicted(bench: Bench) -> Outcome:
    """What was acknowledged to the cells is in the broker's queue before the forgeries, which come over another connection."""
    rng = random.Random(bench.seed)
    bench.serve()
    with bench.sending():
        bench.wait_for_events(1000)
        events = [
            (cell, message)
            for cell, messages in acknowledged(bench).items()
            for message in messages
            if message["type"] != "snapshot"
        ]
        forged = [(cell, encoded(_forged(message, rng))) for cell, message in rng.sample(events, 500)]
        publish(bench, [(TOPICS.events(cell), text) for cell, text in forged])
        bench.wait_for_events(300)
    bench.over()
    outcome = bench.check()
    rows = list(listed(bench, "refused"))
    assert reasons(bench) == {"contradicts": 500}, outcome
    assert sorted((row["cell"], row["text"]) for row in rows) == sorted((cell, text.decode()) for cell, text in forged)
    return outcome


@fault("stream", "out of order, by up to 10 minutes", short=("sqlite",))
def _shuffled(bench: Bench) -> Outcome:
    bench.serve(misbehaviour=Misbehaviour(reorder=1.0, reorder_s=600.0))
    with bench.sending():
        bench.wait_for_events(3000 if bench.full else 500)
    return bench.check()


@fault("stream", "one message in ten comes days late, after all else")
def _late_by_days(bench: Bench) -> Outcome:
    rng, stream = random.Random(bench.seed), calm_hours(bench, 60)
    late, in_time = _split(stream.messages, lambda one: rng.random() < 0.1)
    stream.tell_truth()
    stream.send(in_time)
    wait_for_arrival(bench, len(in_time))
    gaps = sum(gap["last_seq"] - gap["first_seq"] + 1 for gap in listed(bench, "gaps"))
    rng.shuffle(late)
    stream.send(late)
    bench.over()
    return replace(bench.check(), note=f"{len(late)} were late, {gaps} of them missed as events")


def _split(messages: list[Outgoing], chosen: Callable[[Outgoing], bool]) -> tuple[list[Outgoing], list[Outgoing]]:
    """Return those that are chosen, and the others."""
    yes: list[Outgoing] = []
    no: list[Outgoing] = []
    for one in messages:
        (yes if chosen(one) else no).append(one)
    return yes, no


@fault("stream", "a cell's day is late: only its ledger is rewritten")
def _a_day_late(bench: Bench) -> Outcome:
    stream = calm_hours(bench, 60)
    start_us, (one, tardy, other) = stream.truth.start_us, stream.cells
    day = (start_us + 6 * HOUR_US, start_us + 30 * HOUR_US)
    end_us = stream.truth.until_us
    late, in_time = _split(stream.messages, lambda out: out.cell == tardy and day[0] <= out.due_us < day[1])
    stream.tell_truth()
    stream.send(in_time)
    wait_for_arrival(bench, len(in_time))
    before = {cell: told_of(bench, cell, start_us, end_us) for cell in (one, other)}
    former = [revision(bench, tardy, *within) for within in ((start_us, day[0]), day, (day[1], end_us))]
    random.Random(bench.seed).shuffle(late)
    stream.send(late)
    bench.over()
    wait_for_arrival(bench, len(stream.messages))
    assert before == {cell: told_of(bench, cell, start_us, end_us) for cell in (one, other)}
    now = [revision(bench, tardy, *within) for within in ((start_us, day[0]), day, (day[1], end_us))]
    assert now[1] > former[1], (former, now)
    return replace(bench.check(), note=f"revisions {former} are {now}")


@fault("stream", "one message in fifty is lost on the way", short=("sqlite",))
def _lost(bench: Bench) -> Outcome:
    bench.serve(misbehaviour=Misbehaviour(lose=0.02))
    with bench.sending():
        bench.wait_for_events(3000 if bench.full else 500)
    outcome = bench.check()
    assert outcome.gaps > 0
    return outcome


@fault("stream", "lost on the way, and filled later", short=("postgresql",))
def _filled_later(bench: Bench) -> Outcome:
    """Chance takes one message in thirty, and all of one cell for a quarter of an hour."""
    rng, stream = random.Random(bench.seed), hours(bench, 3 if bench.full else 1)
    start_us, end_us, cell = stream.truth.start_us, stream.truth.until_us, stream.cells[0]
    hole = (start_us + HOUR_US // 2, start_us + 3 * HOUR_US // 4)
    missing, rest = _split(
        stream.messages,
        lambda one: rng.random() < 1 / 30 or (one.cell == cell and hole[0] <= one.due_us < hole[1]),
    )
    stream.tell_truth()
    stream.lose(missing)
    stream.send(rest)
    bench.over()
    first = bench.check()
    assert first.faultless, first
    assert first.gaps > 0
    former = {cell: revision(bench, cell, start_us, end_us) for cell in stream.cells}
    rng.shuffle(missing)
    for some in batched(missing, len(missing) // 3):
        stream.send(some, array=7)
    bench.over()
    last = bench.check()
    now = {cell: revision(bench, cell, start_us, end_us) for cell in stream.cells}
    assert all(now[cell] > former[cell] for cell in stream.cells), (former, now)
    assert (last.gaps, last.stored) == (0, len(stream.messages))
    return replace(last, note=f"{first.gaps} gaps at first")


@fault("stream", "controllers restart 20 times an hour")
def _restarting(bench: Bench) -> Outcome:
    bench.serve(misbehaviour=Misbehaviour(reboots_per_hour=20.0, reorder=0.2))
    with bench.sending():
        bench.wait_for_events(3000 if bench.full else 500)
    boots = {(row["cell"], row["boot"]) for row in listed(bench, "snapshots")}
    assert len(boots) > 2 * bench.sent.cells, boots
    return replace(bench.check(), note=f"{len(boots)} starts")
