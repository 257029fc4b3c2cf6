"""Judges an acceptance run: what each of its targets comes to, read off the ledger in portions however large the run is."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

from zoneledger.application.digest import digest_of
from zoneledger.application.failures import read_failures
from zoneledger.application.kpi import Kpi, kpis_from
from zoneledger.application.panels import zones_of
from zoneledger.application.passes import read_passes
from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Reading
from zoneledger.application.presums import gather, totals_of
from zoneledger.application.totals import Total, added
from zoneledger.application.windows import Window, longest_us
from zoneledger.core.booking import Limits
from zoneledger.core.errors import LevelWrong, UnitUnknown
from zoneledger.core.failures import Tally
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
from zoneledger.core.shifts import planned_of
from zoneledger.core.spans import Interval, total


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


def unit_of_run(plant: DeclaredPlant, path: str) -> Unit:
    """Return the cell or line that a run is of; raise UnitUnknown or LevelWrong."""
    unit = plant.plant.find(path)
    if unit is None:
        raise UnitUnknown(f"Plant version {plant.version} has no unit {path}.")
    if unit.level not in ("cell", "line"):
        raise LevelWrong(f"{path} is a {unit.level}; an acceptance run is of a cell or a line.")
    return unit


async def judge(reading: Reading, plant: DeclaredPlant, declared: Declared, now_us: int, limits: Limits) -> Result:
    """Return what a run comes to as the ledger stands, with a version of the plant model; a run that is not over, up to now.

    A run that was kept is judged however large it is, as its line may have grown since: its ledger is read in portions.
    """
    unit = unit_of_run(plant, declared.unit)
    window = Window(declared.start_us, declared.end_us)
    until_us = window.until_us(now_us)
    pieces = _pieces(unit, window.start_us, until_us)
    whole, *parts = await _read_figures(reading, unit, window, pieces, now_us, limits)
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


async def _read_figures(
    reading: Reading, unit: Unit, window: Window, pieces: Sequence[Window], now_us: int, limits: Limits
) -> list[Kpi]:
    """Return the figures of a run, which is the sum of its pieces, and of each piece."""
    parts = [*pieces] or [Window(window.start_us, window.until_us(now_us))]
    cut = [(i, portion) for i, part in enumerate(parts) for portion in _portions(unit, part)]
    totals = [Total()] * len(parts)
    gathered = await gather(reading, unit, [portion for _, portion in cut], now_us)
    for (i, _), part_total in zip(cut, await totals_of(reading, gathered, now_us, limits), strict=True):
        totals[i] += part_total
    own = islice(totals, len(pieces))
    return await kpis_from(reading, unit, [window, *pieces], [added(totals), *own], now_us, limits)


def _portions(unit: Unit, window: Window) -> list[Window]:
    """Cut a window into those of which the ledger may be read at once."""
    step_us, end_us = longest_us(unit), window.end_us
    return [Window(at_us, min(at_us + step_us, end_us)) for at_us in range(window.start_us, end_us, step_us)]


def _pieces(unit: Unit, start_us: int, end_us: int) -> list[Window]:
    """Cut a window into pieces of equal planned time, the first ones a microsecond longer where it does not divide."""
    inside = planned_of(unit, start_us, end_us)
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
    planned_s = total(planned_of(whole.unit, whole.window.start_us, whole.until_us)) / 1e6
    pieces = [part.account for part in parts]
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
            tally = await _tally(reading, whole.unit, whole.window, now_us, limits)
            judged[name] = judge_mean_time(target, tally.running_us / 1e6, len(tally.counted), planned_s, confidence)
        else:
            durations = await _floor_to_floor_s(reading, whole.unit, whole.window, now_us, limits)
            judged[name] = judge_durations(target, durations, planned_s, confidence)
    return judged


async def _tally(reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits) -> Tally:
    is_short = window.end_us - window.start_us <= longest_us(unit)
    units = [unit] if is_short else unit.cells
    return sum([(await read_failures(reading, one, window, now_us, limits)).tally for one in units], Tally())


async def _floor_to_floor_s(reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits) -> list[float]:
    until_us, heads = window.until_us(now_us), await reading.heads([cell.path for cell in unit.cells])
    if until_us <= window.start_us:
        return []
    passes = await read_passes(reading, heads, zones_of(unit, heads, limits), window.start_us, until_us, limits)
    over = (one for ones in passes.values() for one in ones if one.is_over_in(window.start_us, until_us))
    lengths_us = [one.floor_to_floor_us for one in over if one.outcome == COMPLETED]
    return [each_us / 1e6 for each_us in lengths_us if each_us is not None]
