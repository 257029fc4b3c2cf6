"""What a cell that is added, moved or dropped changes of figures that were told: nothing before its date."""

import pytest

from tests.integration.api.joining.story import (
    HOUR_S,
    LINE,
    NOW_US,
    OLD,
    THURSDAY_US,
    WEEK,
    Told,
    joining,
    presum_all,
)
from zoneledger.bootstrap import Service


@pytest.mark.parametrize(
    "window",
    [
        {"shift": "2026-03-03/early"},
        {"shift": "2026-03-04/early"},
        {"start": WEEK["start"], "end": "2026-03-04T21:00:00Z"},
    ],
)
async def test_a_cell_that_is_added_since_a_date_changes_nothing_that_was_told_before_it(
    told: Told, window: dict[str, str]
) -> None:
    before = await told.all_of(LINE, **window)
    await told.declare(joining())
    assert await told.all_of(LINE, **window) == before


@pytest.mark.parametrize(("since", "shift"), [("2026-03-05", "2026-03-05/early"), (None, "2026-03-03/early")])
async def test_a_new_cell_that_never_spoke_is_unknown_since_its_date_or_all_along(
    told: Told, since: str | None, shift: str
) -> None:
    before = await told.get(f"kpi/{LINE}", shift=shift)
    assert (before["known"], before["planned_s"]) == (1, 8 * HOUR_S)
    answer = await told.declare(joining(since))
    assert answer["restates"] == [{"unit": LINE, "start": since and "2026-03-04T23:00:00Z"}]
    kpi = await told.get(f"kpi/{LINE}", shift=shift)
    assert (kpi["revision"], kpi["known"], kpi["planned_s"]) == (before["revision"] + 1, 0.5, 16 * HOUR_S)


async def test_what_was_summed_beforehand_stays_before_the_date(told: Told, service: Service) -> None:
    await presum_all(service)

    async def there(cell: str, until_us: int) -> list[tuple[int, int]]:
        async with service.store.reading() as reading:
            rows = await reading.presums(LINE, cell, 0, until_us)
        return [(row.start_us, row.end_us) for row in rows]

    before = {cell: await there(cell, THURSDAY_US) for cell in ("", OLD)}
    # From Monday on there are four slots a day: to 06:00, to 14:00, to 22:00, to midnight.
    assert {cell: len(rows) for cell, rows in before.items()} == {"": 12, OLD: 12}
    await told.declare(joining())
    for cell, rows in before.items():
        assert await there(cell, NOW_US) == rows


async def test_another_date_restates_from_the_earlier_of_the_two(joined: Told) -> None:
    async def revisions() -> list[int]:
        days = ("2026-03-03", "2026-03-04", "2026-03-05")
        return [(await joined.get(f"kpi/{LINE}", day=day))["revision"] for day in days]

    before = await revisions()
    await joined.declare(joining("2026-03-04"))
    earlier = await revisions()
    assert earlier == [before[0], before[1] + 1, before[2] + 1]
    wednesday = await joined.get(f"kpi/{LINE}", shift="2026-03-04/early")
    assert (wednesday["fasteners"]["made"], wednesday["fasteners"]["outside_planned"]) == (340, 0)
    await joined.declare(joining("2026-03-05"))
    assert await revisions() == [earlier[0], earlier[1] + 1, earlier[2] + 1]


async def test_a_cell_that_was_heard_restates_all_as_it_goes_and_comes(joined: Told, service: Service) -> None:
    async def wednesday() -> tuple[int, int]:
        await presum_all(service)
        kpi = await joined.get(f"kpi/{LINE}", day="2026-03-04")
        return kpi["revision"], kpi["fasteners"]["outside_planned"]

    revision, outside = await wednesday()
    assert outside == 100
    await joined.declare()
    assert await wednesday() == (revision + 1, 0)
    await joined.declare(joining())
    assert await wednesday() == (revision + 2, 100)


async def test_an_acceptance_run_of_a_line_asks_for_as_much_more_as_before_a_cell_joined_after_it(told: Told) -> None:
    run = {
        "name": "monday to tuesday",
        "unit": LINE,
        "start": "2026-03-01T23:00:00Z",
        "end": "2026-03-03T23:00:00Z",
        "confidence": 0.9,
        "targets": {"fasteners_per_hour": 14.0},
    }
    answer = await told.api.post("/v1/proofs", json=run)
    assert answer.status_code == 201, answer.text
    number = answer.json()["id"]
    before = (await told.get(f"proofs/{number}"))["result"]["targets"]["fasteners_per_hour"]
    assert before["longer_s"] is not None
    await told.declare(joining())
    assert (await told.get(f"proofs/{number}"))["result"]["targets"]["fasteners_per_hour"] == before
