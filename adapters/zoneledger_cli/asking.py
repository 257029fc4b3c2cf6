"""Asks a running service over its public API, again while it is away."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass
from time import monotonic
from typing import Any

import httpx

#: How long a question may go without an answer, unless told.
PATIENCE_S = 30.0
POLL_S = 0.1

#: A proxy before the service, or the service itself, says that it is to be asked again.
_AGAIN = (429, 502, 503, 504)


class TooMuch(ValueError):
    """A window has more spans than are given at once."""


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

    async def _ask(self, method: str, path: str, patience_s: float | None, **options: Any) -> dict[str, Any]:
        patience_s = PATIENCE_S if patience_s is None else patience_s
        deadline = monotonic() + patience_s
        while True:
            why = await self._try(method, path, options)
            if isinstance(why, dict):
                return why
            if monotonic() > deadline:
                raise ConnectionError(f"{self.url}{path} did not answer within {patience_s:g} s: {why}")
            await asyncio.sleep(POLL_S)

    async def _try(self, method: str, path: str, options: dict[str, Any]) -> dict[str, Any] | str:
        """Return the answer, or why there is none yet."""
        try:
            answer = await self.client.request(method, path, **options)
        except (httpx.UnsupportedProtocol, httpx.InvalidURL) as error:
            raise ValueError(f"{self.url} is no address such as http://127.0.0.1:8000: {error}") from None
        except httpx.TransportError as error:
            return str(error) or type(error).__name__
        try:
            found = answer.json()
        except ValueError:
            found = None
        if answer.status_code == 200 and isinstance(found, dict):
            return found
        detail = found.get("detail") if isinstance(found, dict) else None
        if answer.status_code in _AGAIN:
            return str(detail or answer.reason_phrase)
        code = found.get("code") if isinstance(found, dict) else None
        kind = TooMuch if code == "window_invalid" else ValueError
        raise kind(f"{self.url}{path} answered {answer.status_code}: {detail or 'it is no Zoneledger'}")
