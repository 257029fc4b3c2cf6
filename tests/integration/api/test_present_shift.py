"""`shift=now` and `shift=last`: what a dashboard asks for without a look at the plant model."""

from collections.abc import Awaitable, Callable

import httpx
import pytest

from tests.integration.api.plant import CELL, NOW_US
from tests.integration.api.problem import problem
from zoneledger.api.openapi import build_api
from zoneledger.application.presumming import Presumming, presum
from zoneledger.application.windows import MAX_WINDOW_US
from zoneledger.bootstrap import Service, build_service

LINE, HOUR_US = "bench/line-1", 3_600_000_000
#: Every call that takes a window.
CALLS = (
    f"/v1/kpi/{LINE}",
    f"/v1/losses/{LINE}",
    f"/v1/rates/{LINE}",
    f"/v1/pace/{LINE}",
    f"/v1/failures/{LINE}",
    f"/v1/panels/{LINE}",
    f"/v1/prospects/{CELL}",
    f"/v1/evidence/{CELL}",
    f"/v1/timeline/{CELL}",
    f"/v1/sheet/{LINE}",
    f"/v1/shifts/{LINE}",
    f"/v1/revisions/{LINE}",
    f"/v1/questions/{LINE}",
)
#: Now is 18:00 on 2026-03-02, in the late shift.
MEANT = {"now": "2026-03-02/late", "last": "2026-03-02/early"}
Ask = Callable[..., Awaitable[httpx.Response]]


class Clock:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.at_us = NOW_US

    def __call__(self) -> int:
        return self.at_us


@pytest.fixture
def clock() -> Clock:
    """The service's clock, at 18:00."""
    return Clock()


@pytest.fixture
async def service(database_url: str, clock: Clock) -> Service:
    """The service on an empty database, with a clock that a test can put forward."""
    return build_service(database_url, clock=clock)


@pytest.fixture
def ask(told: httpx.AsyncClient) -> Ask:
    """Ask the application that knows the morning, and return what it answers."""

    async def answered(path: str, **query: str) -> httpx.Response:
        return await told.get(path, params=query)

    return answered


@pytest.mark.parametrize("shift", MEANT)
@pytest.mark.parametrize("path", CALLS)
async def test_every_call_with_a_window_takes_the_shift_of_now_and_the_last_one(
    ask: Ask, path: str, shift: str
) -> None:
    moving, named = [await ask(path, shift=one) for one in (shift, MEANT[shift])]
    assert moving.status_code == 200, moving.text
    assert moving.json() == named.json()


def test_no_call_that_takes_a_shift_is_left_out() -> None:
    takes = {
        path.split("/")[2]
        for path, calls in build_api().openapi()["paths"].items()
        if any(one["name"] == "shift" for one in calls.get("get", {}).get("parameters", ()))
    }
    assert takes == {path.split("/")[2] for path in (*CALLS, "/v1/tables/shifts")}


@pytest.mark.parametrize("shift", MEANT)
async def test_a_table_of_the_shift_of_now_has_a_line_and_each_of_its_cells(ask: Ask, shift: str) -> None:
    asked = {"unit": LINE, "format": "jsonl"}
    moving, named = [await ask("/v1/tables/shifts", shift=one, **asked) for one in (shift, MEANT[shift])]
    assert moving.text == named.text
    rows = [row for row in moving.text.splitlines() if '"level":"zone"' not in row]
    assert [f'"unit":"{unit}"' in row for unit, row in zip((LINE, CELL, f"{LINE}/cell-2"), rows, strict=True)] == [
        True
    ] * 3


async def test_between_shifts_there_is_none_of_now_and_the_problem_names_those_beside_it(
    ask: Ask, clock: Clock
) -> None:
    clock.at_us = NOW_US + 5 * HOUR_US
    found = problem(await ask(f"/v1/kpi/{LINE}", shift="now"), "shift_unknown")
    assert found["detail"] == (
        "bench/line-1 is in no shift now, at 2026-03-02 23:00 (UTC): the last one, 2026-03-02/late, ended at 2026-03-02 22:00; "
        "the next one, 2026-03-03/early, begins at 2026-03-03 06:00."
    )
    assert (await ask(f"/v1/kpi/{LINE}", shift="last")).json()["shift"] == "2026-03-02/late"


async def test_a_site_has_no_shift_of_now(ask: Ask) -> None:
    found = problem(await ask("/v1/kpi/bench", shift="now"), "window_invalid")
    assert "shifts belong to lines" in found["detail"]
    problem(await ask("/v1/tables/shifts", shift="now"), "window_invalid")


async def test_the_last_shift_is_another_one_once_the_next_has_ended(
    ask: Ask, clock: Clock, service: Service, told: httpx.AsyncClient
) -> None:
    """What was kept for `last` must not outlive its truth, though nothing of the shift that it told of has changed."""
    await presum(Presumming(service.store, service.plants, service.now_us, service.limits), MAX_WINDOW_US)
    early = [await ask(f"/v1/kpi/{LINE}", shift="last") for _ in range(2)][-1]
    assert early.json()["shift"] == "2026-03-02/early"
    again = await told.get(
        f"/v1/kpi/{LINE}", params={"shift": "last"}, headers={"If-None-Match": early.headers["etag"]}
    )
    assert again.status_code == 304
    clock.at_us = NOW_US + 5 * HOUR_US
    late = await told.get(f"/v1/kpi/{LINE}", params={"shift": "last"}, headers={"If-None-Match": early.headers["etag"]})
    assert (late.status_code, late.json()["shift"]) == (200, "2026-03-02/late")


async def test_the_shift_of_now_has_no_etag_and_goes_on_to_the_next(ask: Ask, clock: Clock) -> None:
    late = await ask(f"/v1/kpi/{LINE}", shift="now")
    assert "etag" not in late.headers
    clock.at_us = NOW_US + 13 * HOUR_US
    early = await ask(f"/v1/kpi/{LINE}", shift="now")
    assert (late.json()["shift"], early.json()["shift"]) == ("2026-03-02/late", "2026-03-03/early")
