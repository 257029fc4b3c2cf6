"""Says by the API what people say of time, and reads what the figures make of it."""

from typing import Any

import httpx

from tests.integration.api.plant import CELL, later

SHIFT = {"shift": "2026-03-02/early"}


async def say(api: httpx.AsyncClient, start: float, end: float, reason: str | None = "crane", **fields: Any) -> Any:
    """Give a reason over minutes after 06:00, unless told to the cell by a shift lead."""
    body = {"unit": CELL, "start": later(start), "end": later(end), "reason": reason, "by": "shift-lead"} | fields
    answer = await api.post("/v1/reasons", json=body)
    assert answer.status_code == 201, answer.text
    return answer.json()


async def undo(api: httpx.AsyncClient, number: int, **fields: Any) -> httpx.Response:
    """Undo an entry, unless told as a shift lead."""
    return await api.post(f"/v1/reasons/{number}/undo", json={"by": "shift-lead"} | fields)


async def read_kpi(api: httpx.AsyncClient, unit: str = CELL, **window: Any) -> Any:
    """Return a unit's figures, unless told of the early shift, in which given time is part of the machine's."""
    found = (await api.get(f"/v1/kpi/{unit}", params=window or SHIFT)).json()
    for state, reasons in found["given_s"].items():
        for reason, given in reasons.items():
            assert 0 < sum(given.values()) <= found["reasons_s"][state][reason]
    return found
