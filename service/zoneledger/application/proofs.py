"""Acceptance runs: declared with their targets, judged from the ledger, frozen once they are over, and checked years later."""

import json
from dataclasses import asdict, dataclass
from math import isclose
from typing import Any

from zoneledger.application.judging import Declared, Result, judge, unit_of_run
from zoneledger.application.plants import DeclaredPlant, Plants
from zoneledger.application.ports import Reading, Store
from zoneledger.application.stored import Listed, ProofRow
from zoneledger.application.windows import MAX_DAYS, Window, bound
from zoneledger.core.booking import FOLD, Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import ProofNotOver, ProofUnknown, WindowInvalid
from zoneledger.core.proof import Judged

#: How far apart two computations of a figure may lie, as a ratio, and still be the same: the last digits are the machine's.
SAME = 1e-9


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


def _check(plant: DeclaredPlant, declared: Declared) -> None:
    """Raise UnitUnknown, LevelWrong or WindowInvalid where a run may not be declared so."""
    if not declared.start_us < declared.end_us <= declared.start_us + MAX_DAYS * DAY_US:
        raise WindowInvalid(f"A run's end should lie after its start, and at most {MAX_DAYS} days after it.")
    bound(unit_of_run(plant, declared.unit), declared.start_us, declared.end_us)


async def foresee(reading: Reading, plants: Plants, declared: Declared, now_us: int, limits: Limits) -> Result:
    """Return what a run comes to that is to be declared; raise UnitUnknown, LevelWrong or WindowInvalid as `declare` does."""
    plant = await plants.present(reading)
    _check(plant, declared)
    return await judge(reading, plant, declared, now_us, limits)


async def declare(store: Store, plants: Plants, declared: Declared, now_us: int) -> Proof:
    """Keep a run as it is declared, before or after it is made; raise UnitUnknown, LevelWrong or WindowInvalid."""
    async with store.writing() as writing:
        _check(await plants.present(writing), declared)
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


async def conclude(reading: Reading, plants: Plants, number: int, now_us: int, limits: Limits) -> Result:
    """Return what a run comes to for good; of a frozen one, what it came to. Raises ProofUnknown, ProofNotOver or UnitUnknown."""
    proof = await find(reading, number)
    if proof.frozen is not None:
        return proof.frozen
    if Window(proof.declared.start_us, proof.declared.end_us).stage(now_us, limits.silence_us) != "settled":
        raise ProofNotOver("The run is not over, or was only just: messages on their way may still change its figures.")
    await _check_renewed(reading, proof.declared.unit)
    return await judge(reading, await plants.present(reading), proof.declared, now_us, limits)


async def freeze(store: Store, number: int, result: Result, now_us: int) -> Proof:
    """Keep for good what a run was concluded to; one that is frozen stays as it is. Raises ProofUnknown."""
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
