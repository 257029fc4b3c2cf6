"""By which name the service may be called where it is only for its own machine: a page may give a name of its own our address."""

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import PLANT
from tests.integration.api.problem import problem
from zoneledger.api.door import is_own_name
from zoneledger.bootstrap import Service
from zoneledger.settings import Settings
from zoneledger_cli.serving import door_of


@pytest.mark.parametrize("host", ["localhost", "localhost:8000", "127.0.0.1:8000", "[::1]:8000", "LOCALHOST"])
def test_an_address_and_localhost_are_its_own(host: str) -> None:
    assert is_own_name(host)


@pytest.mark.parametrize(
    "host",
    ["", "evil.example:8000", "127.0.0.1.evil.example", "localhost.evil.example", "[::1", "localhost@evil.example"],
)
def test_any_other_name_is_somebody_elses(host: str) -> None:
    assert not is_own_name(host)


async def test_a_page_that_gives_its_name_our_address_reads_and_changes_nothing(app: FastAPI, service: Service) -> None:
    app.state.door = door_of(service, Settings(host="127.0.0.1"))
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    page = {"origin": "http://evil.example:8000", "sec-fetch-site": "same-origin"}
    async with httpx.AsyncClient(transport=transport, base_url="http://evil.example:8000", headers=page) as elsewhere:
        problem(await elsewhere.put("/v1/plant", json=PLANT), "not_allowed")
        problem(await elsewhere.get("/v1/units"), "not_allowed")
        problem(await elsewhere.get("/"), "not_allowed")
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8000") as here:
        assert (await here.get("/v1/plant")).json()["sites"] == []


async def test_on_an_address_of_the_network_it_may_be_called_by_any_name(app: FastAPI, service: Service) -> None:
    app.state.door = door_of(service, Settings(host="0.0.0.0", open_to_network=True))
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://cells.example") as client:
        assert (await client.get("/v1/units")).status_code == 200
