"""Strings that have broken other programs, every place of a request that can hold one, and requests that are made by chance."""

import json
import random
from collections.abc import Callable, Iterator
from urllib.parse import quote, urlencode

from tests.faults.consumers import request_of

JSON = "application/json"

#: What must be in no answer: the value of a template that was worked out, and the beginning of a file of the system's.
WORKED_OUT, FILE = b"1787569", b"root:x:0:0"
#: What a line of the log would begin with that a caller has written.
FORGED = "2026-11-25 12:00:00,000 CRITICAL forged"

STRINGS = [
    "' OR '1'='1",
    "'; DROP TABLE events; --",
    '" OR ""="',
    "1; SELECT pg_sleep(30)",
    "1) UNION SELECT null, version() --",
    "%' AND 1=CAST((SELECT 1) AS int) --",
    "$1",
    ":name",
    "?1",
    "\\'; VACUUM; --",
    "../../../../../../etc/passwd",
    "..%2f..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e/etc/passwd",
    "....//....//etc/passwd",
    "/etc/passwd",
    "file:///etc/passwd",
    "..\\..\\windows\\win.ini",
    "harbour/../harbour/wing-1",
    "{{1337*1337}}",
    "${1337*1337}",
    "<%= 1337*1337 %>",
    "#{1337*1337}",
    "{0.__class__.__init__.__globals__}",
    "%(password)s %s %n",
    "${jndi:ldap://127.0.0.1:1/a}",
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "x\r\nSet-Cookie: stolen=1\r\n\r\n<p>",
    "x%0d%0aSet-Cookie:%20stolen=1",
    f"x\n{FORGED}",
    "\x1b[31mred\x1b[0m",
    "\u202egnp.exe",
    "$(id)",
    "`id`",
    "| id",
    "!!python/object/apply:os.system ['id']",
    "&a [*a, *a]",
    "<!DOCTYPE x [<!ENTITY y SYSTEM 'file:///etc/passwd'>]><x>&y;</x>",
    "\x00",
    "a\x00b",
    "%00",
    "%",
    "%zz",
    "%ff",
    "\x7f\x80\x9f",
    "\ufeff",
    "\U0010ffff",
    "I\u0307\ufb03\u2126",
    "null",
    "NaN",
    "-1",
    "1e999",
    "0x10",
    "9" * 400,
    "a" * 8000,
    "/" * 500,
    "[" * 500,
    "",
    " ",
    "+",
    "*",
    "#",
    "?",
    "true",
    "__proto__",
]

_UNITS = ("kpi", "timeline", "revisions", "shifts")
_QUERIES = {
    "/v1/kpi/{unit}": ("start", "end", "shift", "day", "by"),
    "/v1/timeline/{unit}": ("start", "end", "shift", "day"),
    "/v1/gaps": ("unit", "after", "limit"),
    "/v1/events": ("unit", "after", "limit"),
    "/v1/refused": ("cell", "reason", "after", "limit"),
    "/v1/refused/counts": ("cell", "reason"),
    "/v1/plant": ("version",),
}
_HEADERS = ("host", "user-agent", "accept", "content-type", "content-encoding", "cookie", "x-forwarded-for", "range")
_FIELDS = ("v", "boot", "seq", "at", "type", "zone", "phase", "for")

Place = Callable[[str, str], bytes]
"""Returns the request that holds a string in a place; the other string is a unit that there is."""


def _in_path(name: str) -> Place:
    return lambda text, _: request_of("GET", f"/v1/{name}/{quote(text, safe='')}?day=2026-11-25")


def _raw_in_path(text: str, _: str) -> bytes:
    """Without any encoding: a line break ends the line."""
    return request_of("GET", f"/v1/kpi/{text}?day=2026-11-25")


def _in_query(path: str, name: str) -> Place:
    return lambda text, unit: request_of("GET", f"{path.format(unit=unit)}?{urlencode({name: text})}")


def _as_parameter(text: str, unit: str) -> bytes:
    return request_of("GET", f"/v1/kpi/{unit}?{urlencode({text: 'x'})}")


def _in_header(name: str) -> Place:
    return lambda text, _: request_of("GET", "/v1/plant", b"", **{name.replace("-", "_"): text})


def _in_message(name: str) -> Place:
    """In a field of a message of a cell that there is, whose version is none, so that it is never taken."""

    def place(text: str, unit: str) -> bytes:
        message = {"v": 9, "boot": 1, "seq": 1, "at": "2026-11-25T06:00:00Z", "type": "wait", name: text}
        return _posted({"cell": "/".join(unit.split("/")[:3]), "messages": [message, text, {text: text}]})

    return place


def _posted(body: object, path: str = "/v1/messages", method: str = "POST") -> bytes:
    return request_of(method, path, json.dumps(body).encode(), content_type=JSON)


def _as_cell(text: str, _: str) -> bytes:
    return _posted({"cell": text, "messages": [{"v": 1}]})


def _as_body(kind: str) -> Place:
    """As the whole body, of a call that would change the plant model."""
    return lambda text, _: request_of("PUT", "/v1/plant", text.encode("utf-8", "surrogatepass"), content_type=kind)


def _in_plant(text: str, _: str) -> bytes:
    """As the name of a site whose time zone is none, so that the plant model stays as it is."""
    line = {"line": text, "cells": [{"cell": text, "zones": [text]}], "shifts": [{"shift": text, "repeats": text}]}
    site = {"site": text, "timezone": f"no/zone {text}", "lines": [line], text: text}
    return _posted({"sites": [site]}, "/v1/plant", "PUT")


def _in_retry(name: str) -> Place:
    return lambda text, _: _posted({name: text}, "/v1/refused/retry")


PLACES: list[Place] = [
    *map(_in_path, _UNITS),
    _raw_in_path,
    *(_in_query(path, name) for path, names in _QUERIES.items() for name in names),
    _as_parameter,
    *map(_in_header, _HEADERS),
    *map(_in_message, _FIELDS),
    _as_cell,
    _as_body(JSON),
    _as_body("application/yaml"),
    _in_plant,
    *map(_in_retry, ("cell", "reason", "ids")),
]


def injections(unit: str) -> Iterator[bytes]:
    """Yield a request for each string in each place."""
    for text in STRINGS:
        for place in PLACES:
            yield place(text, unit)


_METHODS = ["GET", "GET", "GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW", "get", "PROPFIND"]
_STEPS = [
    "v1",
    "v2",
    "kpi",
    "timeline",
    "events",
    "refused",
    "retry",
    "counts",
    "plant",
    "messages",
    "health",
    "ready",
    "",
]
_NAMES = ["unit", "start", "end", "day", "shift", "by", "after", "limit", "cell", "reason", "ids", "messages", "v", "a"]


def _value(rng: random.Random, depth: int = 0) -> object:
    """Return a JSON value by chance; of a plant model's fields it has none, so that it is none."""
    kind = rng.randrange(8 if depth < 4 else 6)
    if kind == 6:
        return [_value(rng, depth + 1) for _ in range(rng.randrange(4))]
    if kind == 7:
        return {rng.choice(_NAMES): _value(rng, depth + 1) for _ in range(rng.randrange(4))}
    return [None, True, rng.randint(-(2**70), 2**70), rng.random() * 10**300, rng.choice(STRINGS), ""][kind]


def _body(rng: random.Random) -> bytes:
    kind = rng.randrange(5)
    if kind == 0:
        return rng.randbytes(rng.choice([1, 100, 5000]))
    text = json.dumps(_value(rng)).encode()
    if kind == 1:
        cut = rng.randrange(len(text) + 1)
        return text[:cut] + rng.randbytes(3) + text[cut:]
    return b"" if kind == 2 else text


def _nearly_right(rng: random.Random) -> bytes:
    """Return a request that is right but for some of its values."""
    kind = rng.randrange(3)
    if kind == 0:
        messages = [_value(rng) for _ in range(rng.randrange(20))]
        return _posted({"cell": rng.choice(["nobody/knows/it", *STRINGS]), "messages": messages})
    if kind == 1:
        return _posted(
            {rng.choice(["cell", "reason", "ids", "after", "upto", "limit"]): _value(rng)}, "/v1/refused/retry"
        )
    path, names = rng.choice(list(_QUERIES.items()))
    query = {name: rng.choice(STRINGS) for name in rng.sample(names, rng.randint(0, len(names)))}
    return request_of("GET", f"{path.format(unit=quote(rng.choice(STRINGS)))}?{urlencode(query)}"[:8000])


def random_request(rng: random.Random) -> bytes:
    """Return a whole request by chance: it is answered."""
    if rng.random() < 0.4:
        return _nearly_right(rng)
    path = "/" + "/".join(quote(rng.choice([*_STEPS, *STRINGS[:20]])) for _ in range(rng.randint(1, 4)))
    query = urlencode({rng.choice(_NAMES): rng.choice(STRINGS) for _ in range(rng.randrange(3))})
    kinds = [JSON, "application/yaml", "text/plain", "multipart/form-data", ""]
    method, body = rng.choice(_METHODS), _body(rng)
    if path == "/v1/plant" and body[:1] == b"{":
        body = b"[" + body  # no body by chance shall ever be a plant model
    return request_of(method, f"{path}?{query}"[:8000], body, content_type=rng.choice(kinds))


def random_bytes(rng: random.Random) -> bytes:
    """Return bytes by chance, a request of which some are others, or one that is too long: it may never be whole, or heard out."""
    if rng.random() < 0.3:
        return rng.randbytes(rng.randint(1, 2000))
    if rng.random() < 0.1:
        return request_of("POST", "/v1/messages", rng.randbytes(300 * 1024), content_type=JSON)
    request = bytearray(random_request(rng)[:2000])
    for _ in range(rng.randint(1, 8)):
        request[rng.randrange(len(request))] = rng.randrange(256)
    return bytes(request)
