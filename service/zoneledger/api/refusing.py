"""What is answered to who is not let in or may not do something; the audit log is told, too, and people get the page to log in at."""

from fastapi import FastAPI, Request, Response
from starlette.exceptions import HTTPException

from zoneledger.api import problems
from zoneledger.api.door import door_of, noted
from zoneledger.api.guard import Entrance
from zoneledger.api.routes.pages import login_page
from zoneledger.application.audit import REFUSED
from zoneledger.core.errors import NotAllowed, NotAuthenticated, TooOften

#: How one may tell who one is (RFC 6750, section 3).
CHALLENGE = 'Bearer realm="zoneledger"'


async def on_refusal(request: Request, error: Exception) -> Response:
    """Return what is answered to NotAuthenticated, NotAllowed or TooOften."""
    entrance: Entrance = request.state.entrance
    is_stranger = isinstance(error, NotAuthenticated)
    if (
        not is_stranger or entrance.credential is None
    ):  # what was sent and is not right is counted where it is looked at
        await noted(request, REFUSED, str(error))
    if is_stranger and _is_for_people(request):
        answer = login_page(401)
    else:
        answer = await problems.on_error(request, error)
    if is_stranger:
        wrong = "" if entrance.credential is None else ', error="invalid_token"'
        answer.headers["WWW-Authenticate"] = f"{CHALLENGE}{wrong}"
        if entrance.by_cookie and error is entrance.refusal:  # else it is what somebody logs in with that is not right
            door_of(request).take_back(answer)
    elif isinstance(error, TooOften):
        answer.headers["Retry-After"] = str(error.retry_after_s)
    return answer


def _is_for_people(request: Request) -> bool:
    """Return whether a browser goes to a page, and a person will see what is answered."""
    return request.method == "GET" and "text/html" in request.headers.get("accept", "")


async def on_http_error(request: Request, error: Exception) -> Response:
    """Return what is answered where there is no such path or method: to who is not let in no more than that they are not."""
    entrance: Entrance = request.state.entrance
    if entrance.refusal is None:
        return await problems.on_http_error(request, error)
    if isinstance(entrance.refusal, NotAuthenticated | NotAllowed | TooOften):
        return await on_refusal(request, entrance.refusal)
    return await problems.on_error(request, entrance.refusal)


def install(app: FastAPI) -> None:
    """Let an application answer so."""
    for refusal in (NotAuthenticated, NotAllowed, TooOften):
        app.add_exception_handler(refusal, on_refusal)
    app.add_exception_handler(HTTPException, on_http_error)
