"""The way over HTTP: POST /v1/messages."""

import json

import httpx

_BUSY = (429, 502, 503, 504)


class RefusedError(Exception):
    """The service refused messages that keep the contract, or the whole request."""


class HttpSender:
    """Sends to the service at the client's base URL; a refused message is an error unless `refusals_expected`."""

    def __init__(self, client: httpx.AsyncClient, *, refusals_expected: bool = False) -> None:
        self._client = client
        self._refusals_expected = refusals_expected

    async def send(self, cell: str, payload: bytes) -> None:
        """Return once the service has stored the payload.

        Raises ConnectionError where it did not answer or is busy, and RefusedError where it refused.
        """
        messages = payload if payload.startswith(b"[") else b"[" + payload + b"]"
        body = b'{"cell":' + json.dumps(cell).encode() + b',"messages":' + messages + b"}"
        try:
            answer = await self._client.post("/v1/messages", content=body, headers={"content-type": "application/json"})
        except httpx.TransportError as error:
            raise ConnectionError(f"no answer to POST /v1/messages: {error!r}") from error
        if answer.status_code in _BUSY:
            raise ConnectionError(f"POST /v1/messages answered {answer.status_code}")
        if answer.status_code != 200:
            raise RefusedError(f"POST /v1/messages answered {answer.status_code}: {answer.text}")
        refused = answer.json()["refused"]
        if refused and not self._refusals_expected:
            raise RefusedError(f"the service refused {len(refused)} messages of {cell}, the first: {refused[0]}")
