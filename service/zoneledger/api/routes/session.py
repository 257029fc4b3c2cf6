"""/v1/session: a person logs in to the pages with a key or a token, sees who they are, and logs out."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from zoneledger.api.access import CallerOf, ServiceOf
from zoneledger.api.bodies import JSON, media_type, read_body, read_object
from zoneledger.api.door import door_of
from zoneledger.api.guard import Entrance, Guarded
from zoneledger.api.problems import respond
from zoneledger.bootstrap import Service
from zoneledger.core.callers import Caller
from zoneledger.core.errors import NotAllowed, NotAuthenticated, StoreUnavailable

#: These calls are the pages' own: programs send their key or token with each request.
router = APIRouter(include_in_schema=False, route_class=Guarded)

MAX_BODY_BYTES, MAX_CREDENTIAL = 16 * 1024, 12_000
_EXAMPLE = {"credential": "zl_..."}
WITHOUT_TLS = (
    "A session would go over the network for everybody to read: put a proxy with TLS before the service, and name it."
)


STILL_GOOD = (
    "This browser has forgotten the session, but it could not be ended, as the database takes nothing in: "
    "it ends by itself after 12 hours, or by zoneledger key revoke."
)


class LoginBody(BaseModel):
    """What somebody logs in with."""

    model_config = ConfigDict(extra="forbid", strict=True)

    credential: str = Field(min_length=1, max_length=MAX_CREDENTIAL, description="a key or a token")


def _told(caller: Caller, status: int) -> Response:
    """Return an answer that tells who somebody is, by what, and what they may do; units null: all."""
    told = {"name": caller.name, "by": caller.origin, "scopes": sorted(caller.scopes), "units": caller.units}
    return JSONResponse(told, status, {"Cache-Control": "no-store"})


@router.post("/v1/session", status_code=201)
async def post_session(service: ServiceOf, request: Request) -> Response:
    """Begin a session, which ends with the key or token, and after 12 hours, and end that of the cookie.

    Its own cookie is sent by no other site's pages.
    """
    door, entrance = door_of(request), _entrance(request)
    if not (door.is_local or door.is_proxied):
        raise NotAllowed(WITHOUT_TLS)
    media_type(request, (JSON,))
    body = read_object(await read_body(request, MAX_BODY_BYTES), LoginBody, _EXAMPLE)
    try:
        session = await service.callers.open_session(body.credential.strip(), entrance.address)
    except NotAuthenticated as error:
        raise door.fail(entrance.address) or error from None
    await _end(service, request)
    longest_s = (session.ends_us - service.now_us()) // 1_000_000
    answer = _told(session.caller, 201)
    door.give(answer, session.token, longest_s)
    return answer


@router.get("/v1/session")
async def get_session(caller: CallerOf) -> Response:
    """Who calls; `open` where nobody is asked."""
    return _told(caller, 200)


@router.delete("/v1/session", status_code=204)
async def delete_session(service: ServiceOf, request: Request) -> Response:
    """End the session of the cookie; where there is none, or it is over, nothing is to be done. The cookie goes in any case."""
    answer = Response(status_code=204)
    try:
        await _end(service, request)
    except StoreUnavailable:
        answer = respond(request, "store_unavailable", STILL_GOOD)
    door_of(request).take_back(answer)
    return answer


async def _end(service: Service, request: Request) -> None:
    """End the session of a request's cookie, where it has one."""
    session = door_of(request).session_of(request.scope)
    if session is not None:
        await service.callers.close_session(session, _entrance(request).address)


def _entrance(request: Request) -> Entrance:
    entrance: Entrance = request.state.entrance
    return entrance
