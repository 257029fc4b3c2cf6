"""What a verification found: what became of the messages of a ledger file, and how far the figures are from its truth."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from zoneledger_sim.differences import Differences
from zoneledger_sim.fates import ACKNOWLEDGED, SENT, STORED, Fates
from zoneledger_sim.missing import Gap, Runs, gaps_of, length


@dataclass(frozen=True, slots=True)
class Verification:
    """What a verification found.

    Messages are counted once each, however often they were sent: events by (cell, boot, seq), snapshots by place and content.
    `lost` were acknowledged and are neither stored nor refused. `unexpected` are stored and were never sent. `duplicated`
    are rows that hold a message which another row holds. `altered` are events stored with other content than was sent.
    `refused` is by reason, of whatever sender. `duplicates_received` came more than once, and should have changed nothing.

    Gaps are counted in events; `gaps_unreported` should have been reported, `gaps_unexpected` should not. `recover_s` and
    `drain_s` count from the start of the verification until the service was ready, and until what it had stored changed no more.

    Figures are None where the ledger file has no truth. `wrong_s` is the most time of one unit booked to another state or
    reason than the truth's, `unknown_s` the most that is unknown. `largest_difference_s` is the most that is wrong, unknown
    though there is evidence, or known though there is none, by the messages that are stored; of a cell whose clock was off,
    the most that is wrong.
    `largest_difference_fasteners` is the largest difference of a number by final result from the truth less what is not stored.

    `sentences` says each thing that is not right, `notes` what was not compared.
    """

    attempted: int
    acknowledged: int
    stored: int
    lost: int
    unexpected: int
    duplicated: int
    altered: int
    refused: dict[str, int]
    duplicates_received: int
    gaps_reported: int
    gaps_expected: int
    gaps_unreported: tuple[Gap, ...]
    gaps_unexpected: tuple[Gap, ...]
    recover_s: float
    drain_s: float
    wrong_s: float | None
    unknown_s: float | None
    largest_difference_s: float | None
    largest_difference_fasteners: int | None
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Whether nothing was lost, added, doubled or altered, and gaps and figures are what they should be."""
        return not self.sentences

    def document(self) -> dict[str, Any]:
        """Return all of it in JSON types."""
        return {"agrees": self.agrees, **asdict(self)}


@dataclass(frozen=True, slots=True)
class Answers:
    """What the service said beside what it stored; `duplicates` is how many messages came more than once."""

    gaps: Runs
    duplicates: int
    recover_s: float
    drain_s: float


def conclude(fates: Fates, answers: Answers, differences: Differences | None) -> Verification:
    """Return the verification; without `differences` (the ledger file has no truth) figures are not compared.

    A run that was killed may have held messages back that its ledger file does not name: every number that is missing is
    then expected to be.
    """
    expected = fates.missing(any_number=differences is None)
    found = Verification(
        attempted=fates.count(SENT),
        acknowledged=fates.count(ACKNOWLEDGED),
        stored=fates.count(SENT | STORED),
        lost=fates.lost(),
        unexpected=fates.count(STORED, but_not=SENT),
        duplicated=fates.duplicated,
        altered=fates.altered,
        refused=dict(fates.refused),
        duplicates_received=answers.duplicates,
        gaps_reported=sum(map(length, answers.gaps.values())),
        gaps_expected=sum(map(length, expected.values())),
        gaps_unreported=gaps_of(expected, answers.gaps),
        gaps_unexpected=gaps_of(answers.gaps, expected),
        recover_s=answers.recover_s,
        drain_s=answers.drain_s,
        wrong_s=None,
        unknown_s=None,
        largest_difference_s=None,
        largest_difference_fasteners=None,
        sentences=(),
        notes=(),
    )
    if differences is None:
        note = "The figures were not compared: the ledger file has no truth, as its run was killed."
        return replace(found, sentences=tuple(_sentences(found, fates.examples)), notes=(note,))
    units = differences.units.values()
    return replace(
        found,
        wrong_s=max((unit.wrong_us for unit in units), default=0) / 1e6,
        unknown_s=max((unit.unknown_us for unit in units), default=0) / 1e6,
        largest_difference_s=max((unit.time_us for unit in units), default=0) / 1e6,
        largest_difference_fasteners=max((unit.fasteners for unit in units), default=0),
        sentences=(*_sentences(found, fates.examples), *_on_figures(differences)),
        notes=tuple(_notes(differences)),
    )


_ONE_OR_MANY = {
    "lost": (
        "1 acknowledged message is neither stored nor refused",
        "{} acknowledged messages are neither stored nor refused",
    ),
    "unexpected": ("1 message is stored that was never sent", "{} messages are stored that were never sent"),
    "duplicated": ("1 message is stored twice", "{} messages are stored that are stored already"),
    "altered": (
        "1 event is stored with other content than was sent",
        "{} events are stored with other content than was sent",
    ),
    "unreported": ("1 event is missing and not reported", "{} events are missing and not reported"),
    "not_missing": ("1 event is reported as missing and is not", "{} events are reported as missing and are not"),
}


def _sentence(what: str, number: int, first: object) -> str:
    one, many = _ONE_OR_MANY[what]
    return f"{one}: {first}." if number == 1 else f"{many.format(f'{number:,}')}, the first: {first}."


def _sentences(found: Verification, examples: dict[str, str]) -> Iterator[str]:
    """Yield a sentence on each thing that is not right about messages and gaps."""
    for what in ("lost", "unexpected", "duplicated", "altered"):
        if number := getattr(found, what):
            yield _sentence(what, number, examples.get(what, "unnamed"))
    for what, gaps in (("unreported", found.gaps_unreported), ("not_missing", found.gaps_unexpected)):
        if gaps:
            yield _sentence(what, sum(gap.last_seq - gap.first_seq + 1 for gap in gaps), gaps[0])


def _on_figures(differences: Differences) -> Iterator[str]:
    """Yield a sentence on each kind of figure that is not the truth's, with the unit of which it is worst."""
    units = differences.units
    unit, worst = max(units.items(), key=lambda item: item[1].wrong_us)
    if worst.wrong_us:
        off = ", whose clock was off," if differences.clock_was_off(unit) else ""
        yield f"{unit}{off} has {worst.wrong_us / 1e6:,.6f} s in another state, or for another reason, than in truth."
    unit, worst = max(units.items(), key=lambda item: item[1].unexplained_us)
    if worst.unexplained_us:
        yield f"{unit} has {worst.unexplained_us / 1e6:,.6f} s unknown, though no message that could tell it is missing."
    unit, worst = max(units.items(), key=lambda item: item[1].unproven_us)
    if worst.unproven_us:
        yield f"{unit} has {worst.unproven_us / 1e6:,.6f} s known, though messages are missing that nobody can know it without."
    unit, worst = max(units.items(), key=lambda item: item[1].fasteners)
    if worst.fasteners:
        told = ", ".join(f"{worst.told[name]:,} {name}" for name in worst.true)
        true = ", ".join(f"{worst.true[name]:,} {name}" for name in worst.true)
        yield f"{unit} has {told} fasteners; it should have {true}."


def _notes(differences: Differences) -> Iterator[str]:
    by_number = [unit for unit, found in differences.units.items() if "made" in found.true]
    if by_number:
        yield f"Fasteners lie outside planned time, so that their results were not compared, of {', '.join(by_number)}."
    off = [cell for cell in differences.cells() if differences.clock_was_off(cell)]
    if off:
        yield f"The clock was off, so that unknown time was not counted as a difference, of {', '.join(off)}."
