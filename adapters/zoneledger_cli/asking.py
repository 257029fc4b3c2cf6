"""Asks a running service over its public API, again while it is away."""

import asyncio
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from itertools import count, repeat
from time import monotonic
from typing import Any, NamedTuple

import httpx

from zoneledger.settings import COMMANDS_KEY, is_loopback

#: How long a question may go without an answer, unless told.
PATIENCE_S = 30.0
#: How long one answer may take.
TIMEOUT_S = 60.0
POLL_S = 0.1

#: A proxy before the service, or the service itself, says that it is to be asked again.
_AGAIN = (429, 502, 503, 504)


#: So long it is waited at most until the same is sent again, though the service told more; and who has asked too often waits so long.
LONGEST_PAUSE_S, LONGEST_WAIT_S = 30.0, 90.0
#: What to do where the service does not let a command in, by the status that it answers with.
REMEDIES = {
    401: f"name a key in {COMMANDS_KEY} or by --key-file; zoneledger key create makes one, on the service's machine",
    403: "the key is right, and takes more scopes or units for this: ask for another one",
}
#: What says that a body, not the service, is at fault.
_UNFIT = ("body_invalid", "body_too_large", "request_invalid")


class Unfit(ValueError):
    """A body is none that the service takes."""


class TooMuch(ValueError):
    """A window has more spans than are given at once."""


class Later(NamedTuple):
    """Why there is no answer yet, and for how long the service wants to hear nothing of who has asked too often."""

    why: str
    wait_s: float = 0.0


def client_of(url: str, key: str | None = None) -> httpx.AsyncClient:
    """Return a client of the service at `url`, which tells by a key or token who asks.

    Raises ValueError where the key would go over a network in plain text.
    """
    address = httpx.URL(url)
    if key is not None and address.scheme == "http" and not is_loopback(address.host):
        raise ValueError(f"no key is sent to {url}: everybody on the way could read it; give an address with https://")
    headers = {} if key is None else {"authorization": f"Bearer {key}"}
    return httpx.AsyncClient(base_url=url, timeout=TIMEOUT_S, headers=headers)


def remedy_of(status: int) -> str:
    """Return what to do about an answer with this status, to be put behind what the service says of it."""
    return f" ({REMEDIES[status]})" if status in REMEDIES else ""


@dataclass(frozen=True, slots=True)
class Asked:
    """The service that is asked."""

    client: httpx.AsyncClient
    url: str

    async def get(self, path: str, query: dict[str, Any], patience_s: float | None = None) -> dict[str, Any]:
        """Return what a path answers; asked again while the service is away. Raises OSError, or ValueError where it refuses."""
        return await self._ask("GET", path, patience_s, params=query)

    async def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        """Return what a path answers to a body, as `get` does: asking twice must do no harm."""
        return await self._ask("POST", path, None, json=body)

    async def pages(self, name: str, limit: int) -> AsyncIterator[list[dict[str, Any]]]:
        """Yield a list page by page."""
        after: int | None = 0
        while after is not None:
            page = await self.get(f"/v1/{name}", {"after": after, "limit": limit})
            yield page[name]
            after = page["next"]

    async def send(self, path: str, body: bytes, patience_s: float) -> dict[str, Any]:
        """Return what a path answers to JSON that is sent as it is; sent again, ever more seldom, while the service is away.

        Raises Unfit for a body that it does not take, and else as `post` does.
        """
        headers, pauses = {"content-type": "application/json"}, (POLL_S * 2**n for n in count())
        return await self._ask("POST", path, patience_s, pauses, content=body, headers=headers)

    async def _ask(
        self, method: str, path: str, patience_s: float | None, pauses: Iterator[float] | None = None, **options: Any
    ) -> dict[str, Any]:
        patience_s, pauses = PATIENCE_S if patience_s is None else patience_s, pauses or repeat(POLL_S)
        deadline, waited_s = monotonic() + patience_s, 0.0
        for pause_s in pauses:
            found = await self._try(method, path, options)
            if isinstance(found, dict):
                return found
            if found.wait_s and not waited_s:  # as long as it was told to once, which is not the service being away
                waited_s = min(found.wait_s, LONGEST_WAIT_S)
                await asyncio.sleep(waited_s)
                continue
            if monotonic() > deadline + waited_s:
                raise ConnectionError(f"{self.url}{path} did not answer within {patience_s:g} s: {found.why}")
            await asyncio.sleep(min(pause_s, LONGEST_PAUSE_S))
        raise AssertionError("pauses have no end")

    async def _try(self, method: str, path: str, options: dict[str, Any]) -> dict[str, Any] | Later:
        """Return the answer, or why there is none yet."""
        try:
            answer = await self.client.request(method, path, **options)
        except (httpx.UnsupportedProtocol, httpx.InvalidURL) as error:
            raise ValueError(f"{self.url} is no address such as http://127.0.0.1:8000: {error}") from None
        except httpx.TransportError as error:
            return Later(str(error) or type(error).__name__)
        try:
            found = answer.json()
        except ValueError:
            found = None
        if answer.status_code == 200 and isinstance(found, dict):
            return found
        detail = found.get("detail") if isinstance(found, dict) else None
        if answer.status_code in _AGAIN:
            return Later(str(detail or answer.reason_phrase), _wait_s(answer))
        code = found.get("code") if isinstance(found, dict) else None
        kind = TooMuch if code == "window_invalid" else Unfit if code in _UNFIT else ValueError
        told = f"{detail or 'it is no Zoneledger'}{remedy_of(answer.status_code)}"
        raise kind(f"{self.url}{path} answered {answer.status_code}: {told}")


def _wait_s(answer: httpx.Response) -> float:
    """Return for how long the service wants to hear nothing of who has asked too often; 0 where it is only busy."""
    told = answer.headers.get("retry-after", "")
    return float(told) if answer.status_code == 429 and told.isdecimal() else 0.0
