"""A service that knows of the first cell's week, and one that knows of both cells."""

import httpx
import pytest

from tests.integration.api.joining.story import NEW, NOW_US, OLD, Told, first_week, joining, second_week
from zoneledger.bootstrap import Service, build_service


@pytest.fixture
async def service(database_url: str) -> Service:
    """The service on an empty database; its clock stands after the week."""
    return build_service(database_url, clock=lambda: NOW_US)


@pytest.fixture
async def told(api: httpx.AsyncClient) -> Told:
    """A client of a service that knows of the first cell and its week."""
    told = Told(api)
    await told.declare()
    await told.tell(OLD, first_week())
    return told


@pytest.fixture
async def joined(told: Told) -> Told:
    """The same, with the second cell since Thursday and all that it told."""
    await told.declare(joining())
    await told.tell(NEW, second_week())
    return told
