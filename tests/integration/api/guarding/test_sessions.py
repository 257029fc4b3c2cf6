"""Logging in to the pages and out: the cookie, what it may be sent with, and how long it is good."""

from http.cookies import SimpleCookie

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.guarding.calls import SAID
from tests.integration.api.guarding.conftest import Asking, MakeKey
from tests.integration.api.plant import CELL, NOW_US, PLANT
from tests.integration.api.problem import problem
from zoneledger.api.door import Door
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service

SESSION = "/v1/session"
#: As browsers say that a page of this service sends something.
OWN = {"sec-fetch-site": "same-origin", "origin": "http://test"}


async def _log_in(client: httpx.AsyncClient, key: str) -> httpx.Response:
    answer = await client.post(SESSION, json={"credential": key}, headers=OWN)
    assert answer.status_code == 201, answer.text
    return answer


def _cookie(answer: httpx.Response) -> tuple[str, dict[str, object]]:
    """Return the name of the cookie that an answer sets, and what it is told of it."""
    (header,) = answer.headers.get_list("set-cookie")
    ((name, morsel),) = SimpleCookie(header).items()
    return name, {key: value for key, value in morsel.items() if value} | {"value": morsel.value}


async def test_who_logs_in_is_known_by_the_cookie_from_then_on(asking: Asking, make_key: MakeKey) -> None:
    browser, key = asking(), await make_key("read", units=(CELL,), name="shift lead")
    told = (await _log_in(browser, f" {key} ")).json()
    assert told == {"name": "shift lead", "by": "session", "scopes": ["read"], "units": [CELL]}
    assert key not in str(browser.cookies)
    assert (await browser.get(SESSION)).json() == told
    assert (await browser.get(f"/v1/kpi/{CELL}?day=2026-03-02")).status_code == 404  # let in: no plant is declared
    problem(await browser.get("/v1/kpi/bench?day=2026-03-02"), "not_allowed")


async def test_the_cookie_on_this_machine_is_for_no_script_and_no_other_site(asking: Asking, admin: str) -> None:
    name, told = _cookie(await _log_in(asking(), admin))
    assert name == "zoneledger"
    assert (told["path"], told["httponly"], told["samesite"]) == ("/", True, "strict")
    assert "secure" not in told
    assert "domain" not in told
    assert told["max-age"] == str(12 * 3600)


async def test_the_cookie_behind_a_proxy_goes_over_tls_only_and_to_no_other_host(
    app: FastAPI, service: Service, asking: Asking, admin: str
) -> None:
    app.state.door = Door(service.callers, is_local=False, is_proxied=True)
    answer = await _log_in(asking(), admin)
    name, told = _cookie(answer)
    assert name == "__Host-zoneledger"
    assert (told["path"], told["httponly"], told["samesite"], told["secure"]) == ("/", True, "strict", True)
    assert "domain" not in told
    cookie = f"{name}={told['value']}"
    assert (await asking(cookie=cookie).get("/v1/units")).status_code == 200
    problem(await asking(cookie=cookie.removeprefix("__Host-")).get("/v1/units"), "not_authenticated")


async def test_nobody_logs_in_over_a_network_without_tls(
    app: FastAPI, service: Service, asking: Asking, admin: str
) -> None:
    app.state.door = Door(service.callers, is_local=False, is_proxied=False)
    answer = await asking().post(SESSION, json={"credential": admin}, headers=OWN)
    assert "TLS" in problem(answer, "not_allowed")["detail"]
    assert "set-cookie" not in answer.headers


async def test_what_is_not_right_begins_no_session(asking: Asking) -> None:
    for credential in ("nothing", "zl_000000000000_" + 43 * "A", "a.b.c"):
        answer = await asking().post(SESSION, json={"credential": credential}, headers=OWN)
        problem(answer, "not_authenticated")
        assert "set-cookie" not in answer.headers
        assert credential not in answer.text


@pytest.mark.parametrize(("scope", "status"), [("ingest", 403), ("reasons", 403), ("read", 201), ("admin", 201)])
async def test_only_who_may_read_begins_a_session(asking: Asking, make_key: MakeKey, scope: str, status: int) -> None:
    answer = await asking().post(SESSION, json={"credential": await make_key(scope)}, headers=OWN)
    assert (answer.status_code, "set-cookie" in answer.headers) == (status, status == 201)
    if status == 403:
        assert problem(answer, "not_allowed")["detail"].endswith("ask for a key with the scope read.")


async def test_a_body_that_is_none_begins_no_session(asking: Asking) -> None:
    long = {"credential": 13000 * "x"}
    bodies: list[object] = [{}, {"credential": ""}, {"credential": 1}, long, {"other": "x"}, []]
    for body in bodies:
        assert (await asking().post(SESSION, json=body, headers=OWN)).status_code == 422


async def test_a_session_begins_no_other_one(asking: Asking, admin: str) -> None:
    _, told = _cookie(await _log_in(asking(), admin))
    answer = await asking().post(SESSION, json={"credential": told["value"]}, headers=OWN)
    problem(answer, "not_authenticated")


async def test_who_logs_out_is_known_no_more_by_whoever_has_the_cookie(asking: Asking, admin: str) -> None:
    browser = asking()
    name, told = _cookie(await _log_in(browser, admin))
    copy = asking(cookie=f"{name}={told['value']}")
    assert (await copy.get("/v1/units")).status_code == 200
    answer = await browser.delete(SESSION, headers=OWN)
    assert (answer.status_code, answer.content) == (204, b"")
    assert _cookie(answer)[1]["max-age"] == "0" if "max-age" in _cookie(answer)[1] else _cookie(answer)[1]["expires"]
    assert not browser.cookies
    problem(await copy.get("/v1/units"), "not_authenticated")
    assert (await browser.delete(SESSION, headers=OWN)).status_code == 204


async def test_who_logs_in_anew_ends_the_session_before(asking: Asking, make_key: MakeKey, admin: str) -> None:
    browser = asking()
    name, told = _cookie(await _log_in(browser, admin))
    copy = asking(cookie=f"{name}={told['value']}")
    problem(await browser.post(SESSION, json={"credential": "nothing"}, headers=OWN), "not_authenticated")
    assert (await copy.get("/v1/units")).status_code == 200, "who is not let in ends nothing"
    await _log_in(browser, await make_key("read"))
    problem(await copy.get("/v1/units"), "not_authenticated")
    assert (await browser.get("/v1/units")).status_code == 200


async def test_where_a_session_cannot_be_ended_the_browser_forgets_it_and_is_told(
    asking: Asking, admin: str, database_url: str
) -> None:
    name, told = _cookie(await _log_in(asking(), admin))
    cookie = f"{name}={told['value']}"
    app = create_app(build_service(database_url, clock=lambda: NOW_US, reads_only=True, authenticate=True))
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=transport, base_url="http://test", headers={"cookie": cookie}) as client,
    ):
        answer = await client.delete(SESSION, headers=OWN)
    assert answer.status_code == 503
    assert "This browser has forgotten the session" in problem(answer, "store_unavailable")["detail"]
    assert _cookie(answer)[1]["max-age"] == "0"
    assert (await asking(cookie=cookie).get("/v1/units")).status_code == 200


async def test_a_session_ends_with_its_key(asking: Asking, make_key: MakeKey, service: Service) -> None:
    browser, key = asking(), await make_key("read")
    await _log_in(browser, key)
    assert (await browser.get("/v1/units")).status_code == 200
    await service.callers.revoke(key.split("_")[1], "a test", "here")
    answer = await browser.get("/v1/units")
    problem(answer, "not_authenticated")
    assert not browser.cookies, "a browser is told to forget what is good no more"


async def test_logging_in_and_out_is_in_the_audit_log(
    asking: Asking, api: httpx.AsyncClient, make_key: MakeKey
) -> None:
    browser = asking(None, "192.0.2.44")
    await _log_in(browser, await make_key("read", name="shift lead"))
    await browser.delete(SESSION, headers=OWN)
    entries = [one for one in (await api.get("/v1/audit")).json()["audit"] if one["what"] in ("login", "logout")]
    assert [(one["what"], one["address"]) for one in entries] == [("login", "192.0.2.44"), ("logout", "192.0.2.44")]
    assert all(one["who"].startswith("shift lead") for one in entries)


#: What a browser tells of a request, and whether it is one of this service's pages.
FROM = [
    ({"sec-fetch-site": "same-origin"}, True),
    ({"sec-fetch-site": "same-origin", "origin": "http://test"}, True),
    ({"origin": "http://test"}, True),
    ({"origin": "https://test"}, True),
    ({"sec-fetch-site": "cross-site"}, False),
    ({"sec-fetch-site": "same-site", "origin": "http://test"}, False),
    ({"sec-fetch-site": "none"}, False),
    ({"origin": "http://test:8080"}, False),
    ({"origin": "http://test.example"}, False),
    ({"origin": "null"}, False),
    ({"origin": "http://evil.example"}, False),
]


async def test_a_session_changes_something_only_for_a_page_of_this_service(
    asking: Asking, told: httpx.AsyncClient, admin: str
) -> None:
    given = 0
    for headers, is_own in [*FROM, ({}, False)]:
        browser = asking()
        await _log_in(browser, admin)
        for method, path, body, status in (
            ("POST", "/v1/reasons", {"unit": CELL, **SAID}, 201),
            ("PUT", "/v1/plant", PLANT, 200),
            ("DELETE", SESSION, None, 204),
        ):
            answer = await browser.request(method, path, json=body, headers=headers)
            if is_own:
                assert answer.status_code == status, (headers, answer.text)
            else:
                problem(answer, "not_allowed")
        given += is_own
        assert len((await told.get("/v1/reasons/bench")).json()["entries"]) == given, headers


async def test_nobody_is_logged_in_by_a_page_of_elsewhere(asking: Asking, admin: str) -> None:
    for headers, is_own in FROM:
        answer = await asking().post(SESSION, json={"credential": admin}, headers=headers)
        assert (answer.status_code == 201) == is_own, headers
        assert ("set-cookie" in answer.headers) == is_own, headers


async def test_a_program_needs_no_origin(asking: Asking, told: httpx.AsyncClient, admin: str) -> None:
    assert (await asking(admin).post("/v1/reasons", json={"unit": CELL, **SAID})).status_code == 201


@pytest.mark.parametrize(
    "path", ["/login?back=//evil.example", "/login?back=https://evil.example/", "/login?next=%2F%2Fevil.example"]
)
async def test_the_page_to_log_in_at_leads_nowhere_that_its_address_says(asking: Asking, path: str) -> None:
    answer = await asking().get(path)
    assert answer.status_code == 200
    assert "evil" not in answer.text
    assert "location" not in answer.headers
