"""What is declared of an acceptance run, and what is answered of it, field by field."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import optional
from zoneledger.api.confidence import Confidence
from zoneledger.api.kpi_answers import Warned
from zoneledger.api.problems import NO_CONTROLS
from zoneledger.api.times import Instant, Seconds, Time, rfc3339, seconds
from zoneledger.application.judging import Declared, Result
from zoneledger.application.proofs import Check, Proof
from zoneledger.core.proof import Judged

MAX_BODY_BYTES = 16 * 1024

Ratio = float | SkipJsonSchema[None]


class Targets(BaseModel):
    """What was promised, one target at least. All but the floor-to-floor time are to be reached or exceeded."""

    model_config = ConfigDict(extra="forbid", strict=True)

    fasteners_per_hour: Ratio = optional(
        "Made per hour of planned time; of a line per hour of one cell", 250.0, gt=0, le=1e6
    )
    availability: Ratio = optional("0 to 1", 0.85, gt=0, le=1)
    oee: Ratio = optional("0 to 1", 0.7, gt=0, le=1)
    first_pass_yield: Ratio = optional("0 to 1, by first results", 0.985, gt=0, lt=1)
    floor_to_floor_s: Ratio = optional(
        "The mean of whole completed passes, in seconds, at most", 5400.0, gt=0, le=31 * 86_400
    )
    mtbf_s: Ratio = optional("Mean running time between failures, in seconds", 14_400.0, gt=0, le=1e9)

    @model_validator(mode="before")
    @classmethod
    def _none_is_null(cls, value: object) -> object:
        if isinstance(value, dict):
            if not value:
                raise ValueError("should have at least one target")
            if None in value.values():
                raise ValueError("should have a number for each target; leave the others out")
        return value


class ProofBody(BaseModel):
    """An acceptance run: of which unit, when, what was promised, and how sure the plant wants to be."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: str = Field(
        min_length=1, max_length=100, pattern=NO_CONTROLS, description="What the run is called", examples=["site run 2"]
    )
    unit: str = Field(max_length=200, description="The path of a cell or line", examples=["harbour/wing-1/cell-1"])
    start: Instant = Field(description="Begin of the run, included, RFC 3339 with an offset")
    end: Instant = Field(description="End of the run, not included; at most 31 days after `start`; may be yet to come")
    confidence: Confidence
    targets: Targets

    def declared(self) -> Declared:
        """Return the run as the use case takes it."""
        targets = self.targets.model_dump(exclude_none=True)
        return Declared(self.name, self.unit, self.start, self.end, self.confidence, targets)


class TargetAnswer(BaseModel):
    """What a run says of one target."""

    target: float = Field(description="what was promised", examples=[250.0])
    measured: float | None = Field(description="what the run came to", examples=[262.4])
    lowest: float | None = Field(
        description="one-sided lower bound of the true value, at the confidence", examples=[251.7]
    )
    highest: float | None = Field(
        description="one-sided upper bound of the true value, at the confidence", examples=[273.1]
    )
    verdict: Literal["shown", "not_shown", "failed", "not_measured"] = Field(
        description="shown: the bound on the unfavourable side meets the target; failed: not even the favourable one does"
    )
    longer_s: Seconds | None = Field(
        description="how much more planned time of the cell, or of the line's shifts, would show it if all went on as measured, in "
        "seconds; null: none, or no time would",
        examples=[14_400.0],
    )


class ResultAnswer(BaseModel):
    """What a run came to, from one look at the ledger."""

    method: int = Field(description="the version of the methods by which it was judged", examples=[1])
    plant_version: int = Field(description="the version of the plant model that was used", examples=[3])
    revision: int = Field(description="the revision of the figures", examples=[1])
    until: Time = Field(description="where reading ended: the run's end, or now if that is earlier")
    planned_s: Seconds = Field(description="planned time in seconds; of a line the sum of its cells")
    unknown_s: Seconds = Field(description="planned time without evidence, in seconds", examples=[0.0])
    pieces: int = Field(description="into how many pieces of equal planned time it was cut", examples=[24])
    digest: str = Field(description="SHA-256 of what the ledger holds of the run", examples=["sha256:" + "0" * 64])
    verdict: Literal["shown", "not_shown", "failed", "not_measured"] = Field(
        description="failed if any target is; shown if all are"
    )
    targets: dict[str, TargetAnswer]
    warnings: list[Warned]


class ProofAnswer(BaseModel):
    """An acceptance run, and what it came to: once and for all where it is frozen, else as the ledger stands."""

    id: int = Field(description="its number", examples=[4])
    name: str = Field(description="what it is called", examples=["site run 2"])
    unit: str = Field(description="the path of the cell or line", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="begin of the run, included")
    end: Time = Field(description="end of the run, not included")
    confidence: float = Field(description="how sure each bound is, by itself", examples=[0.9])
    declared: Time = Field(description="when it was declared")
    frozen: Time | None = Field(description="when it was frozen; null: it follows the ledger")
    result: ResultAnswer


class ProofsPage(BaseModel):
    """Acceptance runs in the order in which they were declared, without what they came to."""

    class Entry(BaseModel):
        """An acceptance run."""

        id: int = Field(description="its number", examples=[4])
        name: str = Field(description="what it is called", examples=["site run 2"])
        unit: str = Field(description="the path of the cell or line", examples=["harbour/wing-1/cell-1"])
        start: Time = Field(description="begin of the run, included")
        end: Time = Field(description="end of the run, not included")
        declared: Time = Field(description="when it was declared")
        frozen: Time | None = Field(description="when it was frozen; null: it is not")
        verdict: str | None = Field(description="what it came to, where it is frozen", examples=["shown"])

    proofs: list[Entry]
    next: int | None = Field(description="give it as `after` for the next page; null on the last", examples=[117])


class CheckAnswer(BaseModel):
    """A frozen run computed again from the ledger of now, with the plant model of then."""

    same_method: bool = Field(description="whether this program judges as the one did that froze it", examples=[True])
    same_evidence: bool = Field(
        description="whether the ledger holds the same of it: the digests are equal", examples=[True]
    )
    same_figures: bool = Field(
        description="whether each target has the same figures and verdict, to 9 digits", examples=[True]
    )
    differing: list[str] = Field(description="the targets whose figures differ", examples=[["first_pass_yield"]])
    result: ResultAnswer


def _target(judged: Judged) -> TargetAnswer:
    return TargetAnswer(**judged._asdict())


def result_answer(result: Result) -> ResultAnswer:
    """Return the answer for what a run came to."""
    return ResultAnswer(
        method=result.method,
        plant_version=result.plant_version,
        revision=result.revision,
        until=rfc3339(result.until_us),
        planned_s=seconds(result.planned_us),
        unknown_s=seconds(result.unknown_us),
        pieces=result.pieces,
        digest=result.digest,
        verdict=result.verdict,
        targets={name: _target(judged) for name, judged in result.targets.items()},
        warnings=[Warned(code=code, text=text) for code, text in result.warnings],
    )


def proof_answer(proof: Proof, result: Result) -> ProofAnswer:
    """Return the answer for a run with what it came to."""
    told = proof.declared
    return ProofAnswer(
        id=proof.id,
        name=told.name,
        unit=told.unit,
        start=rfc3339(told.start_us),
        end=rfc3339(told.end_us),
        confidence=told.confidence,
        declared=rfc3339(proof.declared_us),
        frozen=None if proof.frozen_us is None else rfc3339(proof.frozen_us),
        result=result_answer(result),
    )


def entry_answer(proof: Proof) -> ProofsPage.Entry:
    """Return a run as the list tells it."""
    told = proof.declared
    return ProofsPage.Entry(
        id=proof.id,
        name=told.name,
        unit=told.unit,
        start=rfc3339(told.start_us),
        end=rfc3339(told.end_us),
        declared=rfc3339(proof.declared_us),
        frozen=None if proof.frozen_us is None else rfc3339(proof.frozen_us),
        verdict=proof.frozen.verdict if proof.frozen else None,
    )


def check_answer(check: Check) -> CheckAnswer:
    """Return the answer for a run that was computed again."""
    return CheckAnswer(
        same_method=check.same_method,
        same_evidence=check.same_evidence,
        same_figures=check.same_figures,
        differing=check.differing,
        result=result_answer(check.again),
    )
