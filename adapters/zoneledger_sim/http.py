"""The way over HTTP: POST /v1/messages."""

import json
from typing import Any

import httpx

from zoneledger.settings import COMMANDS_KEY
from zoneledger.wording import counted

_BUSY = (429, 502, 503, 504)
_NOT_OURS = "it is no Zoneledger"
#: What the service wants of who is not let in, beside what it says itself.
_WANTED = {
    401: f" (name a key with the scope ingest in {COMMANDS_KEY} or by --key-file)",
    403: " (the key should have the scope ingest, and reach these cells)",
}


class RefusedError(ValueError):
    """The service refused messages that keep the contract, or the whole request; or what answers is no Zoneledger."""


class HttpSender:
    """Sends to the service at the client's base URL; a refused message is an error unless `refusals_expected`."""

    def __init__(self, client: httpx.AsyncClient, *, refusals_expected: bool = False) -> None:
        self._client = client
        self._refusals_expected = refusals_expected

    @property
    def _address(self) -> str:
        return str(self._client.base_url).rstrip("/")

    async def send(self, cell: str, payload: bytes) -> None:
        """Return once the service has stored the payload.

        Raises ConnectionError where it did not answer or is busy, and RefusedError where it refused.
        """
        messages = payload if payload.startswith(b"[") else b"[" + payload + b"]"
        body = b'{"cell":' + json.dumps(cell).encode() + b',"messages":' + messages + b"}"
        try:
            answer = await self._client.post("/v1/messages", content=body, headers={"content-type": "application/json"})
        except (httpx.UnsupportedProtocol, httpx.InvalidURL) as error:
            raise RefusedError(f"{self._address} is no address such as http://127.0.0.1:8000: {error}") from None
        except httpx.TransportError as error:
            raise ConnectionError(f"no answer to POST /v1/messages: {error!r}") from error
        if answer.status_code in _BUSY:
            raise ConnectionError(f"POST /v1/messages answered {answer.status_code}")
        if answer.status_code != 200:
            told = f"{_object(answer).get('detail') or _NOT_OURS}{_WANTED.get(answer.status_code, '')}"
            raise RefusedError(f"{self._address}/v1/messages answered {answer.status_code}: {told}")
        refused = _object(answer).get("refused")
        if not isinstance(refused, list):
            raise RefusedError(f"{self._address}/v1/messages answered 200: {_NOT_OURS}")
        if refused and not self._refusals_expected:
            told = counted(len(refused), "message", "messages")
            raise RefusedError(f"the service refused {told} of {cell}, the first: {refused[0]}")


def _object(answer: httpx.Response) -> dict[str, Any]:
    """Return the JSON object that was answered, an empty one where it is none."""
    try:
        found = answer.json()
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
