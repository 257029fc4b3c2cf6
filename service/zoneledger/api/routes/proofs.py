"""/v1/proofs: acceptance runs, from the declaration of their targets to a check years later."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.requests import ClientDisconnect

from zoneledger.api.access import CallerOf, ServiceOf
from zoneledger.api.aside import PROOF
from zoneledger.api.bodies import JSON, described_body, media_type, read_body, read_object
from zoneledger.api.door import noted
from zoneledger.api.guard import Guarded, check_reach
from zoneledger.api.pages import MAX_ID, ListParameters
from zoneledger.api.problems import described
from zoneledger.api.proof_bodies import (
    MAX_BODY_BYTES,
    CheckAnswer,
    ProofAnswer,
    ProofBody,
    ProofsPage,
    check_answer,
    entry_answer,
    proof_answer,
)
from zoneledger.api.turns import InTurn, done_in_turn
from zoneledger.application import audit, proofs
from zoneledger.application.judging import Result, judge
from zoneledger.application.ports import Reading
from zoneledger.bootstrap import Service
from zoneledger.core.callers import Caller


class Proving(InTurn):
    """A route whose answers may take long: of a run that was declared nobody can ask for less."""

    patience = PROOF


class Listing(InTurn):
    """A route whose answers are short, and do not wait for a run that is judged."""

    turns_of = "acceptance runs as declared"


router = APIRouter(tags=["acceptance"], route_class=Proving)
#: All that keeps something: whatever is to guard it later has to guard these routes only.
writing_router = APIRouter(tags=["acceptance"], route_class=Guarded)

ProofId = Annotated[int, Path(ge=1, le=MAX_ID, description="The number of an acceptance run", examples=[4])]
_EXAMPLE = {
    "name": "site run 2",
    "unit": "harbour/wing-1/cell-1",
    "start": "2026-11-23T06:00:00Z",
    "end": "2026-11-25T06:00:00Z",
    "confidence": 0.9,
    "targets": {"fasteners_per_hour": 250.0, "availability": 0.85, "first_pass_yield": 0.985},
}
_ERRORS = ("proof_unknown", "unit_unknown", "busy")


async def _find(reading: Reading, caller: Caller, number: int) -> proofs.Proof:
    """Return a run by its number; raise ProofUnknown, or NotAllowed where its unit is out of reach."""
    proof = await proofs.find(reading, number)
    check_reach(caller, proof.declared.unit)
    return proof


@writing_router.post(
    "/v1/proofs",
    status_code=201,
    openapi_extra=described_body(ProofBody, _EXAMPLE),
    responses=described(
        "unit_unknown",
        "level_wrong",
        "window_invalid",
        "body_invalid",
        "body_too_slow",
        "body_too_large",
        "media_type",
        "busy",
    ),
)
async def post_proof(service: ServiceOf, caller: CallerOf, request: Request) -> ProofAnswer:
    """Declare an acceptance run of a cell or line: window, confidence and targets. It is kept as it is declared, and never changed.

    The answer tells what it comes to now. Where that cannot be told, or nobody waits for it any more, nothing is kept.
    """
    media_type(request, (JSON,))
    declared = read_object(await read_body(request, MAX_BODY_BYTES), ProofBody, _EXAMPLE).declared()
    check_reach(caller, declared.unit)
    service.check_writes()

    async def foresee(aside: Service) -> Result:
        async with aside.store.reading() as reading:
            return await proofs.foresee(reading, aside.plants, declared, aside.now_us(), aside.limits)

    result = await done_in_turn(request, "acceptance", foresee, PROOF)
    if await request.is_disconnected():
        raise ClientDisconnect
    proof = await proofs.declare(service.store, service.plants, declared, service.now_us())
    await noted(request, audit.PROOF, f"run {proof.id} of {declared.unit} declared")
    return proof_answer(proof, result)


@writing_router.post("/v1/proofs/{id}/freeze", responses=described("proof_not_over", *_ERRORS))
async def post_freeze(service: ServiceOf, caller: CallerOf, request: Request, id: ProofId) -> ProofAnswer:
    """Keep for good what a run came to, with plant version, revision and digest. A run that is frozen stays as it is."""
    service.check_writes()

    async def conclude(aside: Service) -> Result:
        async with aside.store.reading() as reading:
            await _find(reading, caller, id)
            return await proofs.conclude(reading, aside.plants, id, aside.now_us(), aside.limits)

    result = await done_in_turn(request, "acceptance", conclude, PROOF)
    proof = await proofs.freeze(service.store, id, result, service.now_us())
    await noted(request, audit.PROOF, f"run {id} of {proof.declared.unit} frozen")
    assert proof.frozen is not None
    return proof_answer(proof, proof.frozen)


async def get_proofs(
    service: ServiceOf, caller: CallerOf, parameters: Annotated[ListParameters, Query()]
) -> ProofsPage:
    """All acceptance runs in the order in which they were declared, page by page; to a caller of some units those of these."""
    async with service.store.reading() as reading:
        found = await proofs.list_proofs(reading, parameters.after, parameters.limit + 1)
    page, following = parameters.cut(found)
    return ProofsPage(
        proofs=[entry_answer(one.row) for one in page if caller.reaches(one.row.declared.unit)], next=following
    )


router.add_api_route("/v1/proofs", get_proofs, responses=described("busy"), route_class_override=Listing)


@router.get("/v1/proofs/{id}", responses=described(*_ERRORS))
async def get_proof(service: ServiceOf, caller: CallerOf, id: ProofId) -> ProofAnswer:
    """An acceptance run and what it came to: as it was frozen, or else as the ledger stands now."""
    async with service.store.reading() as reading:
        proof = await _find(reading, caller, id)
        result = proof.frozen
        if result is None:
            plant = await service.plants.present(reading)
            result = await judge(reading, plant, proof.declared, service.now_us(), service.limits)
    return proof_answer(proof, result)


@router.get("/v1/proofs/{id}/check", responses=described("proof_not_over", *_ERRORS))
async def get_check(service: ServiceOf, caller: CallerOf, id: ProofId) -> CheckAnswer:
    """Compute a frozen run again from the ledger of now, with the plant model of then, and tell what differs."""
    async with service.store.reading() as reading:
        await _find(reading, caller, id)
        found = await proofs.check(reading, service.plants, id, service.now_us(), service.limits)
    return check_answer(found)


router.include_router(writing_router)
