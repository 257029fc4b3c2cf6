"""Acceptance runs: declared with their targets, judged from the ledger, frozen once they are over, and checked years later."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from math import isclose
from typing import Any

from zoneledger.application.evidence import digest_of
from zoneledger.application.failures import read_failures
from zoneledger.application.kpi import Kpi, read_kpis
from zoneledger.application.panels import zones_of
from zoneledger.application.passes import read_passes
from zoneledger.application.plants import DeclaredPlant, Plants
from zoneledger.application.ports import Reading, Store
from zoneledger.application.stored import Listed, ProofRow
from zoneledger.application.windows import MAX_DAYS, Window
from zoneledger.core.booking import FOLD, Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import LevelWrong, ProofNotOver, ProofUnknown, UnitUnknown, WindowInvalid
from zoneledger.core.passes import COMPLETED
from zoneledger.core.plant import Unit
from zoneledger.core.proof import (
    METHOD,
    Judged,
    Verdict,
    availability_range,
    judge_durations,
    judge_mean_time,
    judge_pieces,
    judge_yield,
    oee_range,
    overall,
    pieces_of,
    rate_range,
)
from zoneledger.core.shifts import planned
from zoneledger.core.spans import Interval, total

#: How far apart two computations of a figure may lie, as a ratio, and still be the same: the last digits are the machine's.
SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Declared:
    """A run as it was declared: a cell or line, a window, a confidence, and the target of each figure by its name."""

    name: str
    unit: str
    start_us: int
    end_us: int
    confidence: float
    targets: dict[str, float]


@dataclass(frozen=True, slots=True)
class Result:
    """What a run came to, from one look at the ledger with one version of the plant model."""

    method: int
    plant_version: int
    revision: int
    until_us: int
    planned_us: int
    unknown_us: int
    pieces: int
    digest: str
    verdict: Verdict
    targets: dict[str, Judged]
    warnings: list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Proof:
    """A run by its number; `frozen` is what it came to once and for all, None while it is not frozen."""

    id: int
    declared: Declared
    declared_us: int
    frozen: Result | None
    frozen_us: int | None


@dataclass(frozen=True, slots=True)
class Check:
    """A frozen run computed again from the ledger of now with the plant model of then, and what differs by name."""

    again: Result
    same_method: bool
    same_evidence: bool
    same_figures: bool
    differing: list[str]


def _of(listed: Listed[ProofRow]) -> Proof:
    row = listed.row
    frozen = None if row.frozen is None else _result_of(json.loads(row.frozen))
    return Proof(listed.id, Declared(**json.loads(row.declared)), row.declared_us, frozen, row.frozen_us)


def _result_of(value: dict[str, Any]) -> Result:
    targets = {name: Judged(*judged) for name, judged in value.pop("targets").items()}
    warnings = [(code, text) for code, text in value.pop("warnings")]
    return Result(**value, targets=targets, warnings=warnings)


def _canonical(value: dict[str, Any]) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"))


def _unit_of(plant: DeclaredPlant, path: str) -> Unit:
    unit = plant.plant.find(path)
    if unit is None:
        raise UnitUnknown(f"Plant version {plant.version} has no unit {path}.")
    if unit.level not in ("cell", "line"):
        raise LevelWrong(f"{path} is a {unit.level}; an acceptance run is of a cell or a line.")
    return unit


async def declare(store: Store, plants: Plants, declared: Declared, now_us: int) -> Proof:
    """Keep a run as it is declared, before or after it is made; raise UnitUnknown, LevelWrong or WindowInvalid."""
    if not declared.start_us < declared.end_us <= declared.start_us + MAX_DAYS * DAY_US:
        raise WindowInvalid(f"A run's end should lie after its start, and at most {MAX_DAYS} days after it.")
    async with store.writing() as writing:
        _unit_of(await plants.present(writing), declared.unit)
        text = _canonical(asdict(declared))
        number = await writing.add_proof(
            ProofRow(declared.unit, declared.start_us, declared.end_us, text, declared_us=now_us)
        )
    return Proof(number, declared, now_us, None, None)


async def find(reading: Reading, number: int) -> Proof:
    """Return a run by its number; raise ProofUnknown where there is none."""
    found = await reading.proof(number)
    if found is None:
        raise ProofUnknown(f"No acceptance run has the number {number}.")
    return _of(found)


async def list_proofs(reading: Reading, after_id: int, limit: int) -> list[Listed[Proof]]:
    """Return the first runs after a number, in the order in which they were declared."""
    return [Listed(one.id, one.cell, _of(one)) for one in await reading.proofs(after_id, limit)]


async def judge(reading: Reading, plant: DeclaredPlant, declared: Declared, now_us: int, limits: Limits) -> Result:
    """Return what a run comes to as the ledger stands, with a version of the plant model; a run that is not over, up to now."""
    unit = _unit_of(plant, declared.unit)
    window = Window(declared.start_us, declared.end_us)
    until_us = window.until_us(now_us)
    pieces = _pieces(unit, window.start_us, until_us)
    whole, *parts = await read_kpis(reading, unit, [window, *pieces], now_us, limits)
    judged = await _judge_all(reading, declared, whole, parts, now_us, limits)
    account = whole.account
    digest = await digest_of(reading, unit, window.start_us, until_us, limits)
    return Result(
        METHOD,
        plant.version,
        whole.revision,
        until_us,
        account.planned_us,
        account.unknown_us,
        len(pieces),
        digest,
        overall(one.verdict for one in judged.values()),
        judged,
        [(one.code, one.text) for one in whole.warnings],
    )


def _pieces(unit: Unit, start_us: int, end_us: int) -> list[Window]:
    """Cut a window into pieces of equal planned time, the first ones a microsecond longer where it does not divide."""
    assert unit.line is not None
    inside = planned(unit.line, unit.tz, start_us, end_us)
    whole_us = total(inside)
    number = pieces_of(whole_us)
    if whole_us < number:
        return []
    marks = [start_us, *(_at(inside, whole_us * i // number) for i in range(1, number)), end_us]
    return [Window(begin_us, stop_us) for begin_us, stop_us in pairwise(marks)]


def _at(inside: Sequence[Interval], reached_us: int) -> int:
    """Return the instant at which so much of some planned time has gone by."""
    for start_us, end_us in inside:
        if reached_us <= end_us - start_us:
            return start_us + reached_us
        reached_us -= end_us - start_us
    raise AssertionError("more than there is")


async def _judge_all(
    reading: Reading, declared: Declared, whole: Kpi, parts: Sequence[Kpi], now_us: int, limits: Limits
) -> dict[str, Judged]:
    account, figures, confidence = whole.account, whole.figures, declared.confidence
    # The cells of a line work side by side: a run that lasts an hour longer is an hour longer for each.
    pieces, planned_s = [part.account for part in parts], account.planned_us / 1e6 / len(whole.unit.cells)
    ranges = {
        "fasteners_per_hour": (figures.made_per_planned_hour, rate_range),
        "availability": (figures.availability, availability_range),
        "oee": (figures.oee, oee_range),
    }
    judged: dict[str, Judged] = {}
    for name, target in declared.targets.items():
        if name in ranges:
            judged[name] = judge_pieces(target, ranges[name][0], pieces, ranges[name][1], planned_s, confidence)
        elif name == "first_pass_yield":
            judged[name] = judge_yield(target, account.first_good, account.made, planned_s, confidence)
        elif name == "mtbf_s":
            tally = (await read_failures(reading, whole.unit, whole.window, now_us, limits)).tally
            judged[name] = judge_mean_time(target, tally.running_us / 1e6, len(tally.counted), planned_s, confidence)
        else:
            durations = await _floor_to_floor_s(reading, whole.unit, whole.window, now_us, limits)
            judged[name] = judge_durations(target, durations, planned_s, confidence)
    return judged


async def _floor_to_floor_s(reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits) -> list[float]:
    until_us, heads = window.until_us(now_us), await reading.heads([cell.path for cell in unit.cells])
    if until_us <= window.start_us:
        return []
    passes = await read_passes(reading, heads, zones_of(unit, heads, limits), window.start_us, until_us, limits)
    over = (one for ones in passes.values() for one in ones if one.is_over_in(window.start_us, until_us))
    lengths_us = [one.floor_to_floor_us for one in over if one.outcome == COMPLETED]
    return [each_us / 1e6 for each_us in lengths_us if each_us is not None]


async def freeze(store: Store, plants: Plants, number: int, now_us: int, limits: Limits) -> Proof:
    """Keep for good what a run comes to now; one that is frozen stays as it is. Raises ProofUnknown, ProofNotOver or UnitUnknown."""
    async with store.reading() as reading:
        proof = await find(reading, number)
        if proof.frozen is not None:
            return proof
        if Window(proof.declared.start_us, proof.declared.end_us).stage(now_us, limits.silence_us) != "settled":
            raise ProofNotOver(
                "The run is not over, or was only just: messages on their way may still change its figures."
            )
        await _check_renewed(reading, proof.declared.unit)
        result = await judge(reading, await plants.present(reading), proof.declared, now_us, limits)
    async with store.writing() as writing:
        await writing.freeze_proof(number, _canonical(asdict(result)), now_us)
        return await find(writing, number)


async def _check_renewed(reading: Reading, unit: str) -> None:
    """Raise ProofNotOver while a ledger that bears on a unit was derived by earlier rules, and is still to be derived anew."""
    cells = [cell for cell in await reading.cells() if f"{cell}/".startswith(f"{unit}/")]
    if any(head.fold < FOLD for head in (await reading.heads(cells)).values()):
        raise ProofNotOver("The ledger is being derived anew after an upgrade; freeze the run once that is done.")


async def check(reading: Reading, plants: Plants, number: int, now_us: int, limits: Limits) -> Check:
    """Compute a frozen run again, with the plant model that it was frozen with; raise ProofUnknown or ProofNotOver."""
    proof = await find(reading, number)
    if proof.frozen is None:
        raise ProofNotOver("The run is not frozen yet, so there is nothing to hold it against: freeze it first.")
    plant = await plants.version(reading, proof.frozen.plant_version)
    assert plant is not None
    again = await judge(reading, plant, proof.declared, now_us, limits)
    differing = [name for name, one in proof.frozen.targets.items() if not _is_same(one, again.targets[name])]
    same_evidence = again.digest == proof.frozen.digest
    return Check(again, again.method == proof.frozen.method, same_evidence, not differing, differing)


def _is_same(one: Judged, other: Judged) -> bool:
    return one.verdict == other.verdict and all(map(_is_close, one[:4], other[:4]))


def _is_close(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return isclose(one, other, rel_tol=SAME, abs_tol=SAME)
