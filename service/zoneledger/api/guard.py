"""Who may call what: the scope that each call takes, and where the unit stands that it is about. What is in no table is refused."""

from collections.abc import Collection
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from fastapi.routing import APIRoute
from starlette.datastructures import Headers, QueryParams
from starlette.types import Receive, Send
from starlette.types import Scope as AsgiScope

from zoneledger.core.callers import EVERYONE, Caller, Scope
from zoneledger.core.errors import NotAllowed, ZoneledgerError
from zoneledger.wording import first_of

MOST_NAMED = 10
#: What a browser tells of a request that a page of this service makes (Fetch Metadata).
SAME_ORIGIN = "same-origin"
#: What the page to log in at is made of, which strangers may see.
LOGIN_ASSETS = ("icon.svg", "sheet.css", "core.js", "shade.js", "login.js")


class Where(StrEnum):
    """Where the unit stands that a call is about."""

    NOWHERE = "nowhere"
    #: The whole plant: only who reaches all units may call.
    ALL = "all units"
    #: The answer has only what lies in the caller's units.
    OWN = "the caller's own"
    PATH = "path"
    QUERY = "query"
    #: The route looks into the body, and calls `check_reach`.
    BODY = "body"
    #: The route looks up what its number stands for, and calls `check_reach`.
    FOUND = "of the entry"


class Rule(NamedTuple):
    """What a call takes: a scope, None where any caller may; where its unit stands, and by which name.

    `is_open`: strangers may call, too; `opens`: they may, with one of these names in the path.
    """

    scope: Scope | None = None
    where: Where = Where.NOWHERE
    name: str = ""
    is_open: bool = False
    opens: tuple[str, ...] = ()


_OPEN, _KNOWN = Rule(is_open=True), Rule()
_READ_PATH, _READ_QUERY = Rule(Scope.READ, Where.PATH, "unit"), Rule(Scope.READ, Where.QUERY, "unit")
_READ_ALL, _READ_OWN = Rule(Scope.READ, Where.ALL), Rule(Scope.READ, Where.OWN)
_READ_FOUND = Rule(Scope.READ, Where.FOUND, "id")

TABLE: dict[tuple[str, str], Rule] = {
    ("GET", "/v1/plant"): _READ_ALL,
    ("PUT", "/v1/plant"): Rule(Scope.ADMIN, Where.ALL),
    ("POST", "/v1/messages"): Rule(Scope.INGEST, Where.BODY, "cell"),
    ("GET", "/v1/units"): _READ_OWN,
    ("GET", "/v1/live"): Rule(Scope.READ, Where.OWN, "unit"),
    ("GET", "/v1/timeline/{unit}"): _READ_PATH,
    ("GET", "/v1/evidence/{unit}"): _READ_PATH,
    ("GET", "/v1/kpi/{unit}"): _READ_PATH,
    ("GET", "/v1/rates/{unit}"): _READ_PATH,
    ("GET", "/v1/pace/{unit}"): _READ_PATH,
    ("GET", "/v1/failures/{unit}"): _READ_PATH,
    ("GET", "/v1/losses/{unit}"): _READ_PATH,
    ("GET", "/v1/panels/{unit}"): _READ_PATH,
    ("GET", "/v1/prospects/{unit}"): _READ_PATH,
    ("GET", "/v1/sheet/{unit}"): _READ_PATH,
    ("GET", "/v1/shifts/{line}"): Rule(Scope.READ, Where.PATH, "line"),
    ("GET", "/v1/revisions/{unit}"): _READ_PATH,
    ("GET", "/v1/commissioning/{cell}"): Rule(Scope.READ, Where.PATH, "cell"),
    ("GET", "/v1/reasons/{unit}"): _READ_PATH,
    ("GET", "/v1/questions/{unit}"): _READ_PATH,
    ("POST", "/v1/reasons"): Rule(Scope.REASONS, Where.BODY, "unit"),
    ("POST", "/v1/reasons/{id}/undo"): Rule(Scope.REASONS, Where.FOUND, "id"),
    ("GET", "/v1/proofs"): _READ_OWN,
    ("POST", "/v1/proofs"): Rule(Scope.ADMIN, Where.BODY, "unit"),
    ("GET", "/v1/proofs/{id}"): _READ_FOUND,
    ("GET", "/v1/proofs/{id}/check"): _READ_FOUND,
    ("POST", "/v1/proofs/{id}/freeze"): Rule(Scope.ADMIN, Where.FOUND, "id"),
    ("GET", "/v1/refused"): Rule(Scope.READ, Where.QUERY, "cell"),
    ("GET", "/v1/refused/counts"): Rule(Scope.READ, Where.QUERY, "cell"),
    ("POST", "/v1/refused/retry"): Rule(Scope.INGEST, Where.BODY, "cell"),
    ("GET", "/v1/gaps"): _READ_QUERY,
    ("GET", "/v1/discrepancies"): _READ_QUERY,
    ("GET", "/v1/unmatched"): _READ_QUERY,
    ("GET", "/v1/events"): _READ_QUERY,
    ("GET", "/v1/snapshots"): _READ_QUERY,
    ("GET", "/v1/tables/{table}"): _READ_QUERY,
    ("GET", "/v1/audit"): Rule(Scope.ADMIN, Where.ALL),
    ("GET", "/metrics"): _READ_ALL,
    ("GET", "/health/live"): _OPEN,
    ("GET", "/health/ready"): _OPEN,
    ("GET", "/openapi.json"): _KNOWN,
    ("GET", "/contract/message.schema.json"): _KNOWN,
    ("GET", "/contract/asyncapi.json"): _KNOWN,
    ("GET", "/"): _KNOWN,
    ("GET", "/sheet/{unit}"): _KNOWN,
    ("GET", "/commissioning/{unit}"): _KNOWN,
    ("GET", "/assets/{name}"): Rule(opens=LOGIN_ASSETS, name="name"),
    ("GET", "/login"): _OPEN,
    ("GET", "/v1/session"): _KNOWN,
    ("POST", "/v1/session"): _OPEN,
    ("DELETE", "/v1/session"): _OPEN,
}

#: Who sends nothing, or nothing that is right.
STRANGER = Caller("", frozenset(), (), "open")


@dataclass(frozen=True, slots=True)
class Entrance:
    """Who makes a request: `refusal` is why nothing is let in but to what is open; `credential` is what was sent."""

    caller: Caller = EVERYONE
    refusal: ZoneledgerError | None = None
    credential: str | None = field(default=None, repr=False)
    address: str = ""
    by_cookie: bool = False


class Guarded(APIRoute):
    """A route that looks into the table before anything else is done: before a turn, and before an answer that is kept."""

    async def handle(self, scope: AsgiScope, receive: Receive, send: Send) -> None:
        """Let a request pass that may; raises NotAllowed, or why its caller is not let in."""
        if scope["method"] in (self.methods or ()):  # what is not is answered with those that are
            check(scope, self.path_format)
        await super().handle(scope, receive, send)


def check(scope: AsgiScope, path: str) -> None:
    """Raise why a request may not pass, whose route has this path; nothing where it may."""
    rule = TABLE.get((scope["method"], path))
    if rule is None:
        raise NotAllowed("Nobody has said who may call this, so nobody may.")
    entrance: Entrance = scope["state"]["entrance"]
    if scope["method"] != "GET":
        _check_origin(Headers(scope=scope), by_cookie=entrance.by_cookie)
    if rule.is_open or (rule.opens and scope["path_params"].get(rule.name) in rule.opens):
        return
    if entrance.refusal is not None:
        raise entrance.refusal
    caller = entrance.caller
    if rule.scope is not None and not caller.may(rule.scope):
        raise NotAllowed(f"This takes the scope {rule.scope}. {caller.name} has {_told(sorted(caller.scopes))}.")
    if caller.units is not None:
        _check_unit(rule, scope, caller)


def _check_unit(rule: Rule, scope: AsgiScope, caller: Caller) -> None:
    """Raise NotAllowed where a caller that reaches some units asks for others, or does not say which."""
    if rule.where is Where.ALL:
        raise NotAllowed(f"This is about the whole plant. {caller.name} reaches only {_told(caller.units or ())}.")
    if rule.where is Where.PATH:
        check_reach(caller, scope["path_params"][rule.name])
    elif rule.where is Where.QUERY or (rule.where is Where.OWN and rule.name):
        named = QueryParams(scope["query_string"]).getlist(rule.name)
        if not named and rule.where is Where.QUERY:
            check_named(caller, rule.name, None)
        for unit in named:
            check_reach(caller, unit)


def check_named(caller: Caller, name: str, unit: str | None) -> None:
    """Raise NotAllowed where a caller that reaches some units names none of them by a parameter or field of this name."""
    if unit is not None:
        check_reach(caller, unit)
    elif caller.units is not None:
        raise NotAllowed(f"{caller.name} reaches only some units: give {name}, within {_told(caller.units)}.")


def check_reach(caller: Caller, unit: str) -> None:
    """Raise NotAllowed where a unit is not among those that a caller reaches, whether there is one or not."""
    if not caller.reaches(unit):
        raise NotAllowed(f"This unit is out of reach. {caller.name} reaches only {_told(caller.units or ())}.")


def _told(names: Collection[str]) -> str:
    return first_of(list(names), MOST_NAMED) or "none"


def _check_origin(headers: Headers, *, by_cookie: bool) -> None:
    """Raise NotAllowed where a browser sends what changes something for a page of another origin.

    A session's cookie goes along by itself, so that it takes proof of where the page is from. Other programs send neither header.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None:
        is_own = site == SAME_ORIGIN
    elif origin is not None:
        is_own = origin.partition("://")[2] == headers.get("host")
    else:
        is_own = not by_cookie
    if not is_own:
        raise NotAllowed("A browser sends this for a page of another origin, or does not say of which.")
