"""GET /v1/evidence: the messages behind a stretch of time."""

from itertools import pairwise
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, OTHER, later, morning, own, snapshot
from tests.integration.api.problem import problem
from tests.integration.api.test_rates import made, window, work
from zoneledger.application.book import EVENTS_PER_CHECKPOINT
from zoneledger.application.retention import Keeping, forget
from zoneledger.bootstrap import Service
from zoneledger.core.booking import Limits
from zoneledger.core.validation import parse_instant

ZONE = f"{OTHER}/1"


def _places(found: Any) -> list[tuple[int, int, str]]:
    return [(one["boot"], one["seq"], one["type"]) for one in found["messages"]]


def _instant(message: Any) -> int:
    return parse_instant("at", message["at"])


def _wait(seq: int, minutes: float, phase: str = "begin", zone: str = "1") -> Any:
    return own(seq, minutes, type="wait", phase=phase, zone=zone) | {"for": "panel"}


def _alarm(seq: int, minutes: float, phase: str = "raise", **fields: Any) -> Any:
    told = {"type": "alarm", "phase": phase, "code": "guard", "severity": "stop"} | fields
    if phase == "clear":
        del told["severity"]
    return own(seq, minutes) | told


async def _all(get: Get, unit: str, limit: int, **asked: Any) -> list[Any]:
    found: list[Any] = []
    after: dict[str, Any] = {}
    while True:
        page = await get(f"/v1/evidence/{unit}", **asked, limit=limit, **after)
        assert len(page["messages"]) <= limit
        found += page["messages"]
        if page["next"] is None:
            return found
        after = {"after": page["next"]}


async def test_a_window_tells_the_messages_in_it_as_they_came(get: Get) -> None:
    found = await get(f"/v1/evidence/{CELL}", **window(0, 61))
    sent = [one for one in morning() if _instant(one) < parse_instant("at", later(61))]
    told = [one["message"] for one in found["messages"]]
    assert [one for one in told if one["type"] != "snapshot"] == [one for one in sent if one["type"] != "snapshot"]
    places = [[(one["boot"], one["seq"], _instant(one)) for one in messages] for messages in (told, sent)]
    assert sorted(places[0]) == sorted(places[1])
    assert all(one["arrived"] == "2026-03-02T18:00:00Z" for one in found["messages"] if one["type"] != "snapshot")
    assert (found["unit"], found["start"], found["end"], found["next"]) == (CELL, later(0), later(61), None)


async def test_what_made_the_state_before_the_window_is_told_apart(get: Get, send: Send) -> None:
    await send(snapshot(300, "1"), work(1, 301), made(2, 302), made(3, 303), _wait(4, 310), cell=OTHER)
    found = await get(f"/v1/evidence/{OTHER}", **window(305, 311))
    assert (found["before"]["seq"], found["before"]["message"]["activity"]) == (1, "process")
    assert _places(found) == [(1, 4, "wait")]
    # The state at 310 is made by the wait itself, which is in the window.
    assert (await get(f"/v1/evidence/{OTHER}", **window(310, 311)))["before"] is None
    # That of 300 by the snapshot, as nothing was known before it.
    assert (await get(f"/v1/evidence/{OTHER}", **window(300.5, 301)))["before"]["type"] == "snapshot"
    assert (await get(f"/v1/evidence/{OTHER}", **window(200, 250)))["before"] is None


async def test_time_without_evidence_tells_what_made_the_state_before_it(get: Get, send: Send) -> None:
    await send(snapshot(300, "1"), work(1, 301), made(2, 302), cell=OTHER)
    # Silence begins 30 s after the last message.
    found = await get(f"/v1/evidence/{OTHER}", **window(303, 400))
    assert (found["messages"], found["before"]["seq"]) == ([], 1)


async def test_a_zone_leaves_out_other_zones_and_keeps_what_is_the_whole_cells(get: Get, send: Send) -> None:
    await send(
        snapshot(130, "1", "2", boot=2),
        *(one | {"boot": 2} for one in (_wait(1, 131, zone="1"), _wait(2, 132, zone="2"), _alarm(3, 133))),
        *(one | {"boot": 2} for one in (_alarm(4, 134, zone="2"), own(5, 135), own(6, 136, zone="2"))),
    )
    asked = window(125, 140)
    assert [seq for _, seq, _ in _places(await get(f"/v1/evidence/{CELL}", **asked))] == [0, 1, 2, 3, 4, 5, 6]
    assert [seq for _, seq, _ in _places(await get(f"/v1/evidence/{CELL}/1", **asked))] == [0, 1, 3, 5]
    two = await get(f"/v1/evidence/{CELL}/2", **asked)
    assert [(one["seq"], one["zone"]) for one in two["messages"]] == [
        (0, None),
        (2, "2"),
        (3, None),
        (4, "2"),
        (5, None),
        (6, "2"),
    ]
    # What makes zone 1 wait is its own wait, what stops it the alarm of the cell.
    assert (await get(f"/v1/evidence/{CELL}/1", **window(132.5, 133)))["before"]["seq"] == 1
    assert (await get(f"/v1/evidence/{CELL}/1", **window(135.5, 136)))["before"]["seq"] == 3


async def test_a_page_of_long_messages_ends_early_and_the_next_goes_on(get: Get, send: Send) -> None:
    for seq in range(1, 12):
        await send(own(seq, 300 + seq, text="x" * 250_000), cell=OTHER)
    first = await get(f"/v1/evidence/{OTHER}", **window(300, 320), limit=1000)
    assert [seq for _, seq, _ in _places(first)] == list(range(1, 9))
    rest = await get(f"/v1/evidence/{OTHER}", **window(300, 320), after=first["next"])
    assert ([seq for _, seq, _ in _places(rest)], rest["next"]) == ([9, 10, 11], None)


async def test_gaps_are_told_at_the_messages_beside_them(get: Get, send: Send) -> None:
    await send(snapshot(300, "1"), work(1, 301), made(4, 304), made(5, 305), snapshot(308, "1", seq=8), cell=OTHER)
    found = await get(f"/v1/evidence/{OTHER}", **window(290, 310))
    gaps = {
        (one["seq"], one["type"]): [(gap["first_seq"], gap["last_seq"]) for gap in one["gaps"]]
        for one in found["messages"]
    }
    assert gaps == {
        (0, "snapshot"): [],
        (1, "activity"): [(2, 3)],
        (4, "fastener"): [(2, 3)],
        (5, "fastener"): [(6, 8)],
        (8, "snapshot"): [(6, 8)],
    }
    missing = {"boot": 1, "first_seq": 2, "last_seq": 3, "since": later(301), "until": later(304)}
    assert found["messages"][1]["gaps"] == [missing]
    # A window that ends within a gap tells it, too.
    (last,) = (await get(f"/v1/evidence/{OTHER}", **window(301, 303)))["messages"]
    assert last["gaps"] == [missing]
    assert [one["gaps"] for one in await _all(get, OTHER, 1, **window(290, 310))] == [
        one["gaps"] for one in found["messages"]
    ]


async def test_a_message_belongs_to_the_window_of_its_booked_time(get: Get, send: Send) -> None:
    # The clock steps back by half a minute, which is believed: the second wait is booked at 302.
    await send(snapshot(300, "1"), _wait(1, 302), _wait(2, 301.5, "end"), _wait(3, 303), cell=OTHER)
    assert _places(await get(f"/v1/evidence/{OTHER}", **window(302, 303))) == [(1, 1, "wait"), (1, 2, "wait")]
    assert _places(await get(f"/v1/evidence/{OTHER}", **window(301, 302))) == []


@pytest.fixture
async def booked(send: Send) -> list[tuple[tuple[int, int], float]]:
    """Messages over several checkpoints, boots and steps of the clock: boot and seq of each, and the minutes when it is booked."""
    sent, latest = [snapshot(300, "1")], 300.0
    booked = [300.0]
    for n in range(1, 2 * EVENTS_PER_CHECKPOINT + 40):
        boot, minutes = 1 + n // 300, 300 + n / 5 - (0.7 if n % 17 == 0 else 0)
        sent.append(_wait(n % 300 + (1 if boot > 1 else 0), minutes, "begin" if n % 2 else "end") | {"boot": boot})
        latest = max(latest, minutes)  # booked time is the latest time told so far
        booked.append(latest)
    await send(*sent, cell=OTHER)
    return [((one["boot"], one["seq"]), minutes) for one, minutes in zip(sent, booked, strict=True)]


# That each database gives messages in the same order is held by the contract of stores.
@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@settings(deadline=None, max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(start=st.integers(299, 420), length=st.integers(1, 200), limit=st.sampled_from([60, 100, 1000]))
async def test_pages_give_exactly_the_messages_that_are_booked_in_the_window(
    get: Get, booked: list[tuple[tuple[int, int], float]], start: int, length: int, limit: int
) -> None:
    asked = window(start, start + length)
    expected = [place for place, minutes in booked if start <= minutes < start + length]
    found = await _all(get, OTHER, limit, **asked)
    assert [(one["boot"], one["seq"]) for one in found] == expected
    assert all(one < other for one, other in pairwise(expected))
    assert await _all(get, ZONE, 1000, **asked) == found


async def test_messages_that_are_not_kept_any_more_are_not_told(get: Get, send: Send, service: Service) -> None:
    number = 3 * EVENTS_PER_CHECKPOINT
    await send(snapshot(300, "1"), *(_wait(n, 300 + n / 10) for n in range(1, number)), cell=OTHER)
    whole = await _all(get, OTHER, 1000, **window(299, 700))
    now_us = service.now_us()
    await forget(service.store, Keeping(now_us - 1, None), lambda: now_us, Limits())
    assert await _all(get, OTHER, 1000, **window(299, 700)) == whole
    await forget(service.store, Keeping(1, None), lambda: now_us, Limits())
    kept = await _all(get, OTHER, 1000, **window(299, 700))
    assert 0 < len(kept) < len(whole)
    assert kept == whole[-len(kept) :]
    assert await _all(get, OTHER, 1000, **window(301, 310)) == []


async def test_a_cell_that_never_sent_has_no_evidence(get: Get) -> None:
    found = await get(f"/v1/evidence/{OTHER}", **window(0, 60))
    assert (found["messages"], found["before"], found["next"]) == ([], None, None)
    assert (await get(f"/v1/evidence/{CELL}", **window(1000, 1060)))["messages"] == []


async def test_evidence_of_a_line_or_of_more_than_a_day_is_told_as_a_problem(told: httpx.AsyncClient) -> None:
    answer = await told.get("/v1/evidence/bench/line-1", params=window(0, 60))
    assert "one of its cells" in problem(answer, "level_wrong")["detail"]
    answer = await told.get(f"/v1/evidence/{CELL}", params=window(0, 25 * 60 + 1))
    assert "1 day" in problem(answer, "window_invalid")["detail"]
    assert (await told.get(f"/v1/evidence/{CELL}", params={"day": "2026-03-02"})).status_code == 200


@pytest.mark.parametrize(
    "after", ["", "1", "1.2.3.4.5", "1.1.0.0.0.0", "x.1.0.0.0", "1.1.0.0.1\n", "99999999999999999.1.0.0.0"]
)
async def test_an_after_that_is_none_is_told_as_a_problem(told: httpx.AsyncClient, after: str) -> None:
    answer = await told.get(f"/v1/evidence/{CELL}", params={**window(0, 60), "after": after})
    assert problem(answer, "request_invalid")["errors"][0]["place"] == "query/after"


@pytest.mark.parametrize("after", ["0.0.0.0.0", f"{10**16 - 1}.{10**16 - 1}.1.{10**18 - 1}.{10**16 - 1}", "1.1.1.-5.3"])
async def test_any_place_may_be_asked_after(told: httpx.AsyncClient, after: str) -> None:
    answer = await told.get(f"/v1/evidence/{CELL}", params={**window(0, 60), "after": after})
    assert answer.status_code == 200, answer.text
