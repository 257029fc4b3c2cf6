"""Who is not let in: what they are told, by which headers, and what the audit log has of it."""

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.guarding.conftest import Asking, MakeKey
from tests.integration.api.plant import CELL
from tests.integration.api.problem import problem
from zoneledger.bootstrap import Service

KNOWN_ID = "zl_000000000000_"
PAGE = {"accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


async def test_who_sends_nothing_is_told_what_to_send(asking: Asking) -> None:
    answer = await asking().get("/v1/units")
    assert "Authorization: Bearer" in problem(answer, "not_authenticated")["detail"]
    assert answer.headers["www-authenticate"] == 'Bearer realm="zoneledger"'


async def test_who_sends_what_is_not_right_is_told_no_more_than_that(asking: Asking, admin: str) -> None:
    wrong = ["nothing", KNOWN_ID + 43 * "A", admin[:-1] + ("A" if admin[-1] != "A" else "B")]
    answers = [await asking(key).get("/v1/units") for key in wrong]
    details = {problem(answer, "not_authenticated")["detail"] for answer in answers}
    assert len(details) == 1
    for answer, key in zip(answers, wrong, strict=True):
        assert answer.headers["www-authenticate"] == 'Bearer realm="zoneledger", error="invalid_token"'
        assert key not in answer.text


@pytest.mark.parametrize("scheme", ["bearer", "BEARER", "Bearer  "])
async def test_the_scheme_is_read_in_any_case(asking: Asking, admin: str, scheme: str) -> None:
    assert (await asking(authorization=f"{scheme} {admin}").get("/v1/units")).status_code == 200


@pytest.mark.parametrize("header", ["Basic {}", "{}", "Bearer", "Token {}"])
async def test_no_other_scheme_lets_in(asking: Asking, admin: str, header: str) -> None:
    problem(await asking(authorization=header.format(admin)).get("/v1/units"), "not_authenticated")


async def test_two_keys_in_one_request_are_none(asking: Asking, admin: str, make_key: MakeKey) -> None:
    headers = [("authorization", f"Bearer {key}") for key in (admin, await make_key("read"))]
    problem(await asking().get("/v1/units", headers=headers), "not_authenticated")


async def test_a_key_in_the_address_is_none(asking: Asking, admin: str) -> None:
    for name in ("access_token", "key", "token"):
        problem(await asking().get(f"/v1/units?{name}={admin}"), "not_authenticated")


async def test_a_key_in_the_cookie_of_a_session_is_looked_at_as_any_other(asking: Asking, admin: str) -> None:
    """It can be, and gains nothing: it is as secret there as elsewhere."""
    assert (await asking(cookie=f"zoneledger={admin}").get("/v1/units")).status_code == 200
    problem(await asking(cookie=f"zoneledger={admin}; zoneledger=x").get("/v1/units"), "not_authenticated")
    problem(await asking(cookie=f"other={admin}").get("/v1/units"), "not_authenticated")


async def test_who_may_not_do_something_is_told_what_it_takes(asking: Asking, make_key: MakeKey) -> None:
    key = await make_key("read", units=(CELL,), name="andon-board")
    answer = await asking(key).post("/v1/messages", json={})
    assert problem(answer, "not_allowed")["detail"] == "This takes the scope ingest. andon-board has read."
    told = problem(await asking(key).get("/v1/kpi/bench?day=2026-03-02"), "not_allowed")["detail"]
    assert told == f"This unit is out of reach. andon-board reaches only {CELL}."


async def test_a_page_is_answered_with_the_one_to_log_in_at(asking: Asking, admin: str) -> None:
    for path in ("/", f"/sheet/{CELL}?shift=now", "/v1/units"):
        answer = await asking(**PAGE).get(path)
        assert (answer.status_code, answer.headers["content-type"]) == (401, "text/html; charset=utf-8")
        assert "/assets/login.js" in answer.text
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert answer.headers["cache-control"] == "no-store"
        assert "location" not in answer.headers
        assert "/assets/login.js" not in (await asking(admin, **PAGE).get(path)).text


async def test_health_tells_strangers_no_more_than_whether_it_is_well(
    asking: Asking, make_key: MakeKey, service: Service
) -> None:
    reader, stranger, sender = asking(await make_key("read")), asking(), asking(await make_key("ingest"))
    for client in (stranger, sender, asking("wrong")):
        assert (await client.get("/health/live")).json() == {"live": True, "event_loop": None}
        assert (await client.get("/health/ready")).json() == {"ready": True, "checks": {}, "listens": None}
    assert (await reader.get("/health/live")).json()["event_loop"]["since_start"]
    assert (await reader.get("/health/ready")).json()["checks"] == {"database": True, "recorder": True}
    service.checks["database"] = _fails
    for client, named in ((stranger, False), (sender, False), (reader, True)):
        found = problem(await client.get("/health/ready"), "not_ready")
        assert ("database" in str(found)) == named


async def _fails() -> None:
    raise TimeoutError


async def _refusals(service: Service) -> list[tuple[str, str, str]]:
    await service.callers._log.write()
    async with service.store.reading() as reading:
        return [(row.who, row.address, row.detail) for _, row in await reading.audit(0, 100) if row.what == "refused"]


async def test_every_refusal_is_in_the_audit_log_counted_and_without_what_was_sent(
    asking: Asking, make_key: MakeKey, service: Service, api: httpx.AsyncClient
) -> None:
    wrong = "zl_000000000000_" + 43 * "S"
    for _ in range(3):
        await asking(wrong, "192.0.2.7").get("/v1/units")
    await asking(None, "192.0.2.8").get("/v1/units")
    await asking(await make_key("read", name="andon"), "192.0.2.9").put("/v1/plant", json={})
    await asking(None, "192.0.2.10").get("/health/live")
    found = await _refusals(service)
    assert {(who, address, detail.partition(" x ")[0]) for who, address, detail in found} == {
        ("", "192.0.2.7", "3"),
        ("", "192.0.2.8", "1"),
        ("andon (key)", "192.0.2.9", "1"),
    }
    assert 5 * "S" not in str(found)
    listed = (await api.get("/v1/audit")).json()["audit"]
    assert [one["what"] for one in listed].count("refused") == 3


async def test_the_audit_log_has_who_changed_what(asking: Asking, told: httpx.AsyncClient, app: FastAPI) -> None:
    said = {"unit": CELL, "start": "2026-03-02T06:00:00Z", "end": "2026-03-02T06:10:00Z", "reason": "crane"}
    assert (await told.post("/v1/reasons", json=said | {"by": "shift-lead"})).status_code == 201
    assert (await told.post("/v1/reasons/1/undo", json={"by": "shift-lead"})).status_code == 201
    first = (await told.get("/v1/audit", params={"limit": 2})).json()
    rest = (await told.get("/v1/audit", params={"after": first["next"]})).json()
    entries = [(one["what"], one["who"], one["address"]) for one in first["audit"] + rest["audit"]]
    assert [one for one in entries if one[0] in ("plant", "reasons")] == [
        (what, "admin (key)", "192.0.2.1") for what in ("plant", "reasons", "reasons")
    ]
    assert rest["next"] is None
