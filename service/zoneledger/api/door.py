"""The door by which every request comes in and every answer goes out: who calls, how often, and what headers answers have."""

from collections.abc import Iterable, Iterator
from ipaddress import ip_address
from urllib.parse import urlsplit

from fastapi import Request, Response
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from zoneledger.api.guard import STRANGER, Entrance
from zoneledger.api.often import Often
from zoneledger.application.audit import REFUSED
from zoneledger.application.callers import NOTHING_SENT, Callers
from zoneledger.core.callers import Caller
from zoneledger.core.errors import NotAllowed, NotAuthenticated, TooOften, ZoneledgerError

COOKIE, LOCAL_COOKIE = "__Host-zoneledger", "zoneledger"
_BEARER = "bearer "
#: How often it is looked at most whether who began a long answer may still have it: with what is remembered of a key, within a minute.
LOOK_EVERY_S = 15.0

#: Of every answer, a page or not: nothing from elsewhere, no script or style in the page itself, nobody frames it or reads it from
#: a page of another origin, and no browser asks for a camera.
HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=()",
}
#: A year, as browsers take no shorter time seriously (RFC 6797).
HSTS = (b"strict-transport-security", b"max-age=31536000")
#: Where somebody is asked who they are, an answer is for them alone.
PRIVATE, NOT_KEPT = (b"cache-control", b"private, no-cache"), (b"cache-control", b"no-store")
_KEPT_BY_ALL = (b"cache-control", b"no-cache")

CALLED_OTHERWISE = (
    "This service is only for the machine it runs on, and answers by the name localhost or by an address. To let it be called by "
    "another name, put a proxy before it: see ZONELEDGER_PROXY."
)

Header = tuple[bytes, bytes]


class Door:
    """Tells who makes a request. `is_local`: only this machine can ask, without TLS; `is_proxied`: a proxy that is named does TLS.

    `checks_name`: it has to be called by an address or as localhost. A page from elsewhere may give its own name our address.
    """

    def __init__(
        self,
        callers: Callers | None = None,
        *,
        requests_a_minute: int = 0,
        is_local: bool = True,
        is_proxied: bool = False,
        checks_name: bool = False,
    ) -> None:
        self._callers = callers
        self._checks_name = checks_name
        self._often = Often(requests_a_minute)
        self.failures = 0
        self.is_required = callers is not None and callers.required
        self.is_local = is_local
        self.is_proxied = is_proxied
        self.cookie = LOCAL_COOKIE if is_local else COOKIE
        added = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
        self._added = [*added, HSTS] if is_proxied else added

    async def entrance(self, scope: Scope) -> Entrance:
        """Return who makes a request, by the key or token that it brings, else by its session."""
        sent, by_cookie = self._sent(scope["headers"])
        address = (scope.get("client") or ("",))[0]
        if self._checks_name and not is_own_name(Headers(scope=scope).get("host", "")):
            return Entrance(STRANGER, NotAllowed(CALLED_OTHERWISE), None, address)
        if sent is None or self._callers is None:
            refusal = NotAuthenticated(NOTHING_SENT) if self.is_required else None
            return Entrance(STRANGER, refusal, None, address) if refusal else Entrance(address=address)
        try:
            caller = await self._callers.caller(sent, address)
        except NotAuthenticated as error:
            return Entrance(STRANGER, self.fail(address) or error, sent, address, by_cookie)
        except ZoneledgerError as error:
            return Entrance(STRANGER, error, sent, address, by_cookie)
        return Entrance(caller, self._often.ask(caller), sent, address, by_cookie)

    def fail(self, address: str) -> TooOften | None:
        """Count a key, token or session that was not right; return what the address is told once there were too many."""
        self.failures += 1
        return self._often.fail(address)

    def _sent(self, headers: Iterable[Header]) -> tuple[str | None, bool]:
        """Return the key, token or session that a request brings, and whether a cookie did; what comes twice is none that is right."""
        bearers: list[str] = []
        for name, value in headers:
            if name == b"authorization":
                text = value.decode("latin-1")
                if text[: len(_BEARER)].lower() == _BEARER:  # of other schemes nothing is asked: they may be a proxy's
                    bearers.append(text[len(_BEARER) :].strip())
        cookies = self._sessions(headers)
        found = bearers or cookies
        if not found:
            return None, False
        return found[0] if len(found) == 1 else "", not bearers

    def session_of(self, scope: Scope) -> str | None:
        """Return the session that a request's cookie holds."""
        return next(iter(self._sessions(scope["headers"])), None)

    def _sessions(self, headers: Iterable[Header]) -> list[str]:
        """Return what a request's cookies of this name hold."""
        cookies = (value.decode("latin-1") for name, value in headers if name == b"cookie")
        return [found for text in cookies for found in _values(text, self.cookie)]

    async def still(self, entrance: Entrance) -> bool:
        """Return whether who began a long answer may still have it; while that cannot be told, they may."""
        if entrance.credential is None or self._callers is None:
            return True
        try:
            return await self._callers.caller(entrance.credential, entrance.address) == entrance.caller
        except NotAuthenticated:
            return False
        except ZoneledgerError:
            return True

    async def note(self, what: str, caller: Caller, address: str, detail: str) -> None:
        """Add to the audit log what a caller did, where it is known who that is, or what was refused to whom."""
        if self._callers is not None and (what == REFUSED or caller.origin != "open"):
            await self._callers.note(what, caller, address, detail)

    def give(self, response: Response, session: str, longest_s: int) -> None:
        """Let a browser keep a session for so many seconds: no script can read it, and no other site can let it be sent."""
        response.set_cookie(
            self.cookie, session, longest_s, path="/", secure=not self.is_local, httponly=True, samesite="strict"
        )

    def take_back(self, response: Response) -> None:
        """Let a browser forget its session."""
        response.delete_cookie(self.cookie, path="/", secure=not self.is_local, httponly=True, samesite="strict")

    def finished(self, headers: Iterable[Header]) -> list[Header]:
        """Return the headers of an answer with those that every answer has."""
        if not self.is_required:
            return [*headers, *self._added]
        told = [PRIVATE if header == _KEPT_BY_ALL else header for header in headers]
        if not any(name == b"cache-control" for name, _ in told):
            told.append(NOT_KEPT)
        return [*told, *self._added]


def is_own_name(host: str) -> bool:
    """Return whether a Host header (RFC 9110 section 7.2) holds an address or localhost, which nobody else's pages come from."""
    try:
        name = urlsplit(f"//{host}").hostname or ""
        return name == "localhost" or bool(ip_address(name))
    except ValueError:
        return False


def _values(cookies: str, name: str) -> Iterator[str]:
    for pair in cookies.split(";"):
        found, _, value = pair.strip().partition("=")
        if found == name:
            yield value


class AtTheDoor:
    """All of an application, seen from outside: it stands around what answers failures, too."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, with its entrance in its state, and its answer out."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        door: Door = scope["app"].state.door
        scope.setdefault("state", {})["entrance"] = await door.entrance(scope)

        async def finishing(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = door.finished(message.get("headers", ()))
            await send(message)

        await self._app(scope, receive, finishing)


async def noted(request: Request, what: str, detail: str) -> None:
    """Add to the audit log what the caller of a request did."""
    entrance: Entrance = request.state.entrance
    await door_of(request).note(what, entrance.caller, entrance.address, detail)


def door_of(request: Request) -> Door:
    """Return the door that a request came in by."""
    door: Door = request.app.state.door
    return door
