"""GET /v1/refused, /v1/gaps, /v1/discrepancies and /v1/unmatched: what is listed, page by page."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, OTHER, later, own, snapshot
from tests.integration.api.problem import problem

LISTS = ("refused", "gaps", "discrepancies", "unmatched")


async def _fill(send: Send) -> None:
    """Leave five entries in each list, of both cells."""
    for number in range(5):
        cell = OTHER if number == 4 else CELL
        minutes = 130 + 2 * number
        await send(42, snapshot(minutes, "1", boot=10 + number), cell=cell)
        clear = {"type": "alarm", "phase": "clear", "code": "a", "severity": "stop"}
        await send(own(3, minutes + 1, boot=10 + number, **clear), cell=cell)
        nobodys = {"type": "verdict", "panel": "P-9", "position": "7", "result": "reject"}
        await send(own(4, minutes + 1, boot=10 + number, **nobodys), cell=cell)


async def _pages(get: Get, name: str, **query: Any) -> list[list[dict[str, Any]]]:
    pages: list[list[dict[str, Any]]] = []
    after: int | None = 0
    while after is not None:
        answer = await get(f"/v1/{name}", after=after, **query)
        pages.append(answer[name])
        after = answer["next"]
    return pages


@pytest.mark.parametrize("name", LISTS)
async def test_pages_join_to_the_whole_list(get: Get, send: Send, name: str) -> None:
    await _fill(send)
    (whole,) = await _pages(get, name, limit=100)
    assert len(whole) == 5
    for limit, lengths in ((1, [1] * 5), (2, [2, 2, 1]), (5, [5]), (4, [4, 1])):
        pages = await _pages(get, name, limit=limit)
        assert [len(page) for page in pages] == lengths
        assert [entry for page in pages for entry in page] == whole
    ids = [entry["id"] for entry in whole]
    assert ids == sorted(set(ids))


@pytest.mark.parametrize("name", ["gaps", "discrepancies"])
async def test_a_list_is_given_for_one_unit(get: Get, send: Send, name: str) -> None:
    await _fill(send)
    assert {entry["cell"] for entry in (await get(f"/v1/{name}", unit=OTHER))[name]} == {OTHER}
    assert len((await get(f"/v1/{name}", unit="bench/line-1"))[name]) == 5


@pytest.mark.parametrize("name", ["gaps", "discrepancies"])
async def test_an_unknown_unit_of_a_list_is_a_problem(told: httpx.AsyncClient, name: str) -> None:
    problem(await told.get(f"/v1/{name}", params={"unit": "nowhere"}), "unit_unknown")


async def test_a_gap_tells_what_is_missing_and_closes_when_it_arrives(get: Get, send: Send) -> None:
    await send(snapshot(130, "1", "2", boot=2), own(3, 132, boot=2))
    (gap,) = (await get("/v1/gaps"))["gaps"]
    assert (gap["cell"], gap["boot"], gap["first_seq"], gap["last_seq"]) == (CELL, 2, 1, 2)
    assert (gap["since"], gap["until"]) == (later(130), later(132))
    await send(own(1, 130.5, boot=2), own(2, 131, boot=2))
    assert await get("/v1/gaps") == {"gaps": [], "next": None}


async def test_a_discrepancy_tells_where_a_controller_contradicts_itself(get: Get, send: Send) -> None:
    clear = {"type": "alarm", "phase": "clear", "code": "a", "severity": "stop", "zone": "1"}
    await send(snapshot(130, "1", "2", boot=2), own(1, 131, boot=2, **clear))
    (found,) = (await get("/v1/discrepancies"))["discrepancies"]
    assert (found["cell"], found["zone"], found["kind"], found["at"]) == (CELL, "1", "not_present", later(131))


@pytest.mark.parametrize(
    "query",
    [
        {"limit": 0},
        {"limit": -1},
        {"limit": 1001},
        {"limit": "ten"},
        {"limit": 2**63},
        {"limit": "9" * 5000},
        {"limit": "1e3"},
        {"after": -1},
        {"after": 2**63},
        {"after": "9" * 5000},
        {"after": ""},
        {"unit": "x" * 501},
        {"before": 3},
    ],
)
@pytest.mark.parametrize("name", LISTS)
async def test_a_page_that_there_cannot_be_is_a_problem(
    told: httpx.AsyncClient, name: str, query: dict[str, Any]
) -> None:
    found = problem(await told.get(f"/v1/{name}", params=query), "request_invalid")
    assert [one["place"] for one in found["errors"]] == [f"query/{next(iter(query))}"]


async def test_the_furthest_page_is_empty(get: Get) -> None:
    for name in LISTS:
        assert await get(f"/v1/{name}", after=2**53 - 1) == {name: [], "next": None}


def _verdict(seq: int, minutes: float, position: str = "7", result: str = "reject") -> Any:
    return own(seq, minutes, boot=2, type="verdict", panel="P-9", position=position, result=result, zone="1")


def _made(seq: int, minutes: float, position: str = "7") -> Any:
    told = {"operation": "fasten", "result": "good", "zone": "1", "panel": "P-9", "position": position}
    return own(seq, minutes, boot=2, type="fastener", **told)


async def test_a_verdict_on_a_fastener_that_was_never_made_is_listed_until_that_arrives(get: Get, send: Send) -> None:
    await send(snapshot(130, "1", "2", boot=2), _made(1, 131, "6"), _verdict(3, 133), _verdict(4, 134, "6"))
    (found,) = (await get("/v1/unmatched"))["unmatched"]
    assert (found["cell"], found["boot"], found["seq"]) == (CELL, 2, 3)
    assert (found["panel"], found["position"], found["result"]) == ("P-9", "7", "reject")
    assert (found["at"], found["arrived"]) == (later(133), NOW)
    events = (await get("/v1/events"))["events"]
    assert [one["message"]["type"] for one in events if one["id"] == found["id"]] == ["verdict"]
    # One made after the verdict is another one; the one before it is what the verdict is about.
    await send(_made(5, 135))
    assert len((await get("/v1/unmatched"))["unmatched"]) == 1
    await send(_made(2, 132))
    assert await get("/v1/unmatched") == {"unmatched": [], "next": None}
    counted = (await get(f"/v1/kpi/{CELL}", start=later(131), end=later(136)))["fasteners"]
    assert (counted["made"], counted["good"], counted["reject"]) == (3, 1, 2)
