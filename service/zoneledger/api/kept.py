"""Answers about time that is over, kept as they were sent: while what they rest on is still the same, none is computed again."""

from collections import OrderedDict
from collections.abc import Awaitable, Callable
from hashlib import blake2b
from typing import Any, NamedTuple

from fastapi import FastAPI, Request, Response

from zoneledger.api.guard import Guarded
from zoneledger.application.ports import Store
from zoneledger.application.stored import Basis, Stamp
from zoneledger.core.errors import StoreUnavailable

#: No more than this is kept; what was not asked for the longest goes first. A series of a year may be 2 MB.
MOST_BYTES = 32 * 2**20
MEDIA_TYPE = "application/json"

Key = tuple[str, bytes]
"""The path and the query string of a request."""

#: What an answer that may be kept adds to the OpenAPI document.
DESCRIBED: dict[int | str, dict[str, Any]] = {
    200: {
        "headers": {
            "ETag": {
                "description": "of an answer about time that is over and settled: the same as long as the answer is",
                "schema": {"type": "string", "examples": ['"2b1c9d0f6a7e4c53"']},
            }
        }
    },
    304: {"description": "The answer is still the one that has this ETag"},
}


class Kept(NamedTuple):
    """An answer, what it rests on and the stamp of that, and its ETag."""

    basis: Basis
    stamp: Stamp
    etag: str
    body: bytes


class KeptAnswers:
    """Answers by request, the one that was asked for last at the end."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Key, Kept] = OrderedDict()
        self._bytes = 0

    def find(self, request: Request) -> Kept | None:
        """Return the answer to a request, which may not hold any more."""
        kept = self._kept.get(key := _key(request))
        if kept is not None:
            self._kept.move_to_end(key)
        return kept

    def keep(self, request: Request, kept: Kept) -> None:
        """Keep the answer to a request in the place of an earlier one."""
        self.drop(request)
        self._kept[_key(request)] = kept
        self._bytes += len(kept.body)
        while self._bytes > MOST_BYTES:
            self._bytes -= len(self._kept.popitem(last=False)[1].body)

    def drop(self, request: Request) -> None:
        """Keep the answer to a request no longer."""
        if gone := self._kept.pop(_key(request), None):
            self._bytes -= len(gone.body)


def _key(request: Request) -> Key:
    return request.scope["path"], request.scope["query_string"]


def etag_of(body: bytes) -> str:
    """Return the ETag of an answer: a digest, so that every process, and each start of one, gives the same."""
    return f'"{blake2b(body, digest_size=8).hexdigest()}"'


def respond(request: Request, body: bytes, etag: str, media_type: str = MEDIA_TYPE) -> Response:
    """Return an answer with its ETag, or 304 without it to whoever has it already (RFC 9110, 13.1.2)."""
    headers = {"ETag": etag, "Cache-Control": "no-cache"}
    asked = request.headers.get("if-none-match")
    if asked is not None and (
        asked.strip() == "*" or etag in {one.strip().removeprefix("W/") for one in asked.split(",")}
    ):
        return Response(status_code=304, headers=headers)
    return Response(body, headers=headers, media_type=media_type)


async def _holds(store: Store, kept: Kept) -> bool:
    try:
        return await store.stamp(kept.basis) == kept.stamp
    except StoreUnavailable:  # a connection that died a while ago; who computes finds out whether it is more
        return False


class Keeping(Guarded):
    """A route that answers from what is kept, where one look at the store tells that it still holds."""

    def get_route_handler(self) -> Callable[[Request], Awaitable[Response]]:  # type: ignore[override]
        compute = super().get_route_handler()

        async def answer(request: Request) -> Response:
            answers: KeptAnswers = request.app.state.kept
            kept = answers.find(request)
            if kept is not None:
                if await _holds(request.app.state.service.store, kept):
                    return respond(request, kept.body, kept.etag)
                answers.drop(request)
            return await compute(request)

        return answer


def install(app: FastAPI) -> None:
    """Let an application keep answers."""
    app.state.kept = KeptAnswers()
