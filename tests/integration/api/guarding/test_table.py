"""Every route against every kind of caller: nothing is open that should not be, and nothing closed that should not."""

import json
from typing import Any

import httpx
import pytest
from fastapi import APIRouter, FastAPI
from fastapi.routing import iter_route_contexts

from tests.docs.pages import ROOT
from tests.integration.api.guarding.calls import CALLS, OF_OTHERS, OPEN_ASSETS, PLANT_IS_SENT, RUN, SAID, Call
from tests.integration.api.guarding.conftest import Asking, MakeKey
from tests.integration.api.plant import CELL, PLANT
from tests.integration.api.problem import problem
from zoneledger.api import access_table, openapi
from zoneledger.api.guard import TABLE, Guarded
from zoneledger.api.openapi import build_api, document_of
from zoneledger.api.routes.pages import assets
from zoneledger.bootstrap import Service

SCOPES = ("read", "reasons", "ingest", "admin")
ADMINS = {"read", "reasons", "ingest", "admin"}


def _routes(app: FastAPI) -> set[str]:
    """Return every route that the application has, as it routes by them."""
    return {f"{method} {one.path_format}" for one in iter_route_contexts(app.routes) for method in one.methods or ()}


def test_every_route_is_in_the_table_and_every_row_of_it_is_a_route() -> None:
    there = _routes(build_api())
    assert {call.route for call in CALLS} == there
    assert {f"{method} {path}" for method, path in TABLE} == there
    assert len(there) == len(CALLS) > 50


@pytest.fixture
async def known(told: httpx.AsyncClient, app: FastAPI) -> httpx.AsyncClient:
    """A client that may do everything, of an application that knows a reason and a frozen run; live streams end at once."""
    assert (await told.post("/v1/reasons", json={"unit": CELL, **SAID})).json()["id"] == 1
    assert (await told.post("/v1/proofs", json={"unit": CELL, **RUN})).json()["id"] == 1
    assert (await told.post("/v1/proofs/1/freeze")).status_code == 200
    app.state.streams.end()
    return told


async def _send(client: httpx.AsyncClient, call: Call, path: str = "", body: Any = None) -> httpx.Response:
    body = body or call.body
    sent: dict[str, Any] = {} if body is None else {"json": PLANT if body == PLANT_IS_SENT else body}
    return await client.request(call.method, path or call.asked, **sent)


async def _ask_all(client: httpx.AsyncClient, expected: Any) -> dict[str, str]:
    """Return the calls that are not answered as expected: with 401, 403, or as somebody who may is answered (0)."""
    wrong = {}
    for call in CALLS:
        answer, wanted = await _send(client, call), expected(call)
        if answer.status_code not in (call.answers if wanted == 0 else (wanted,)):
            wrong[call.route] = f"{answer.status_code} and not {wanted}: {answer.text[:200]}"
        elif wanted:
            problem(answer, "not_authenticated" if wanted == 401 else "not_allowed")
    return wrong


def _let_in(call: Call) -> int:
    return 0 if call.scope == "open" else 401


async def test_who_sends_nothing_reaches_nothing_but_what_is_open(known: httpx.AsyncClient, asking: Asking) -> None:
    assert await _ask_all(asking(), _let_in) == {}


WRONG = ["zl_000000000000_" + 43 * "A", "nothing", "", "a.b.c", 8000 * "x", "zs_000000000000_" + 43 * "A"]


async def test_who_sends_what_is_not_right_reaches_no_more(known: httpx.AsyncClient, asking: Asking) -> None:
    for number, sent in enumerate(WRONG):
        await _check_not_let_in(asking(sent, f"198.51.100.{number}"))


async def _check_not_let_in(client: httpx.AsyncClient) -> None:
    """Fail where a client reaches what is not open, with what it sends; after some of that it is told to wait."""
    for call in CALLS:
        answer = await _send(client, call)
        expected = call.answers if call.scope == "open" else (401, 429)
        assert answer.status_code in expected, call.route


async def test_a_revoked_key_reaches_nothing_from_then_on(
    known: httpx.AsyncClient, asking: Asking, make_key: MakeKey, service: Service
) -> None:
    key = await make_key("admin")
    client = asking(key)
    assert (await client.get("/v1/units")).status_code == 200
    await service.callers.revoke(key.split("_")[1], "a test", "here")
    await _check_not_let_in(client)


async def test_a_scope_reaches_what_takes_it_and_nothing_else(
    known: httpx.AsyncClient, asking: Asking, make_key: MakeKey
) -> None:
    for scope in SCOPES:
        may = {"open", "known", *(ADMINS if scope == "admin" else {scope})}
        client = asking(await make_key(scope))
        assert await _ask_all(client, lambda call, may=may: 0 if call.scope in may else 403) == {}, scope


async def test_who_has_some_units_reaches_these_and_neither_others_nor_the_whole_plant(
    known: httpx.AsyncClient, asking: Asking, make_key: MakeKey
) -> None:
    own, other = [asking(await make_key("admin", units=(unit,))) for unit in (CELL, OF_OTHERS)]
    assert await _ask_all(other, lambda call: 403 if call.reach in ("unit", "all") else 0) == {}
    assert await _ask_all(own, lambda call: 403 if call.reach == "all" else 0) == {}


async def test_who_has_some_units_has_to_say_which(known: httpx.AsyncClient, asking: Asking, make_key: MakeKey) -> None:
    limited, whole = asking(await make_key("admin", units=(CELL,))), asking(await make_key("admin"))
    calls = [call for call in CALLS if call.unnamed]
    assert len(calls) > 8
    for call in calls:
        told = problem(await _send(limited, call, call.unnamed, call.unnamed_body), "not_allowed")["detail"]
        assert ("give cell" if "refused" in call.route else "give unit") in told
        assert CELL in told
        assert (await _send(whole, call, call.unnamed, call.unnamed_body)).status_code == 200, call.route


async def test_a_unit_that_is_named_twice_is_looked_at_twice(
    known: httpx.AsyncClient, asking: Asking, make_key: MakeKey
) -> None:
    client = asking(await make_key("read", units=(OF_OTHERS,)))
    for call in CALLS:
        name = "cell" if "cell=" in call.asked else "unit"
        if f"{name}=" in call.asked:
            for query in (
                f"{call.asked}&{name}={OF_OTHERS}",
                call.asked.replace(f"{name}=", f"{name}={OF_OTHERS}&{name}="),
            ):
                problem(await client.get(query), "not_allowed")


async def test_strangers_see_what_the_page_to_log_in_at_is_made_of_and_no_other_asset(
    app: FastAPI, asking: Asking
) -> None:
    client = asking()
    seen = {name for name in assets() if (await client.get(f"/assets/{name}")).status_code == 200}
    assert seen == OPEN_ASSETS
    page = (await client.get("/login")).text
    assert {name for name in assets() if f'"/assets/{name}"' in page} == OPEN_ASSETS


@pytest.mark.parametrize(
    ("method", "path"), [("GET", "/v1/nothing"), ("GET", "/wp-login.php"), ("DELETE", "/v1/units")]
)
async def test_who_is_not_let_in_is_not_told_what_there_is(asking: Asking, admin: str, method: str, path: str) -> None:
    problem(await asking().request(method, path), "not_authenticated")
    assert (await asking(admin).request(method, path)).status_code in (404, 405)


async def test_a_route_that_is_in_no_table_is_refused_to_everybody(app: FastAPI, api: httpx.AsyncClient) -> None:
    async def answer() -> dict[str, str]:
        return {"secret": "told"}

    app.router.routes.append(Guarded("/v1/unlisted", answer, methods=["GET"]))
    answered = await api.get("/v1/unlisted")
    problem(answered, "not_allowed")
    assert "told" not in answered.text


def test_an_application_with_a_route_that_nothing_guards_is_not_made(monkeypatch: pytest.MonkeyPatch) -> None:
    loose = APIRouter()
    loose.add_api_route("/v1/unguarded", lambda: None)
    monkeypatch.setattr(openapi, "_routers", lambda: [loose])
    with pytest.raises(TypeError, match="/v1/unguarded"):
        openapi._calls.__wrapped__()


def test_the_page_with_the_table_is_current() -> None:
    kept = (ROOT / "docs" / "access-table.md").read_text(encoding="utf-8")
    assert kept == access_table.text(), "run: .venv/bin/python -m zoneledger.api.access_table > docs/access-table.md"


def test_the_document_says_of_each_call_what_it_takes() -> None:
    document = document_of(build_api())
    assert set(document["components"]["securitySchemes"]) == {"bearer", "session"}
    told = {
        f"{method.upper()} {path}": call for path, calls in document["paths"].items() for method, call in calls.items()
    }
    scopes = {call.route: call.scope for call in CALLS}
    for route, call in told.items():
        scope = scopes[route]
        rights = [] if scope == "known" else [scope]
        ways = [{"bearer": rights}, {"session": rights}, {}]
        assert call["security"] == ([{}] if scope == "open" else ways), route
        assert ({"401", "403", "429"} <= call["responses"].keys()) == (scope != "open"), route
    assert json.dumps(told)
