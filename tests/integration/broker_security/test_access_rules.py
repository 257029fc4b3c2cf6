"""The access rules as they are shipped: a cell writes its own two topics, the service below its own root, and nobody anything else."""

from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager
from dataclasses import replace

import pytest
from aiomqtt import MqttError, ProtocolVersion, Will

from tests.integration.broker_security.conftest import ACCOUNTS
from tests.integration.broker_security.parts import (
    DASHBOARD,
    NOT_AUTHORIZED,
    OUT,
    ROOT,
    Somebody,
    address_of,
    heard_up_to,
    is_let_in,
    listener_at,
    signed,
    somebody,
)
from tests.integration.mqtt.parts import CELL, OTHER_CELL, RecordingIntake, running, until
from tests.servers.secure_mosquitto import SecureMosquitto
from zoneledger_cli.authority import Use, Wanted
from zoneledger_cli.certificates import BROKER, SERVICE, Folder
from zoneledger_mqtt.connection import BrokerAddress, parse_broker_url
from zoneledger_mqtt.credential_files import Files
from zoneledger_mqtt.inner_client import cut
from zoneledger_mqtt.publisher import link_down

EVENTS, LINK = f"{ROOT}/{CELL}/events", f"{ROOT}/{CELL}/link"
OTHER_EVENTS, OTHER_LINK = f"{ROOT}/{OTHER_CELL}/events", f"{ROOT}/{OTHER_CELL}/link"


@pytest.fixture
def cell(broker: SecureMosquitto, plant: Folder) -> BrokerAddress:
    """The first cell's way in."""
    return address_of(broker.cells_url, plant, f"cells/{CELL}")


@pytest.fixture
def other_cell(broker: SecureMosquitto, plant: Folder) -> BrokerAddress:
    """The second cell's way in."""
    return address_of(broker.cells_url, plant, f"cells/{OTHER_CELL}")


@pytest.fixture
def service(broker: SecureMosquitto, plant: Folder) -> BrokerAddress:
    """The service's way in."""
    return address_of(broker.url, plant, SERVICE)


@pytest.fixture
async def witness(service: BrokerAddress) -> AsyncIterator[Somebody]:
    """Hears all that anybody publishes below both roots: nobody may read more."""
    async with somebody(service, "#") as one:
        yield one


async def test_what_the_service_publishes_on_a_cells_topics_is_refused_and_nobody_hears_it(
    service: BrokerAddress, cell: BrokerAddress, witness: Somebody
) -> None:
    async with somebody(service) as us, somebody(cell) as controller:
        for topic in (EVENTS, LINK, OTHER_EVENTS, f"{ROOT}/anything", f"{ROOT}/{SERVICE}/events"):
            for retain in (False, True):
                assert await us.publish(topic, b"forged", retain=retain) == [NOT_AUTHORIZED]
            await us.publish(topic, b"forged", qos=0)
        assert await us.publish(f"{OUT}/link", b"ours") == []
        assert await controller.publish(EVENTS, b"its own") == []
        assert await heard_up_to(witness, b"its own") == [b"ours"]
    async with somebody(service, f"{ROOT}/#") as late:
        async with somebody(cell) as controller:
            await controller.publish(EVENTS, b"later")
        assert await heard_up_to(late, b"later") == []


async def test_to_mqtt_3_1_1_the_broker_does_not_say_so_and_nobody_hears_it_either(
    service: BrokerAddress, cell: BrokerAddress, witness: Somebody
) -> None:
    async with somebody(service, protocol=ProtocolVersion.V311) as us, somebody(cell) as controller:
        await us.publish(EVENTS, b"forged")
        await us.publish(f"{OUT}/link", b"ours of 3.1.1")
        await controller.publish(EVENTS, b"its own again")
        assert await heard_up_to(witness, b"its own again") == [b"ours of 3.1.1"]


async def test_a_cell_writes_its_own_two_topics_and_neither_another_cells_nor_ours(
    cell: BrokerAddress, witness: Somebody
) -> None:
    elsewhere = [OTHER_EVENTS, OTHER_LINK, f"{OUT}/link", f"{ROOT}/{CELL}", f"{EVENTS}/more", f"{ROOT}/{CELL}/other"]
    above = [f"{ROOT}/harbour/wing-1/events", f"{ROOT}/events", "$SYS/broker/uptime", CELL, f"/{EVENTS}", "events"]
    async with somebody(cell) as controller:
        for topic in (*elsewhere, *above):
            assert await controller.publish(topic, b"as another") == [NOT_AUTHORIZED], topic
        assert await controller.publish(LINK, b"its link") == []
        assert await controller.publish(EVENTS, b"its event") == []
    assert await heard_up_to(witness, b"its event") == [b"its link"]


async def test_a_cell_is_who_its_certificate_says_whatever_name_it_tells(
    broker: SecureMosquitto, plant: Folder, witness: Somebody
) -> None:
    claiming = replace(
        address_of(broker.cells_url, plant, f"cells/{CELL}"), username=OTHER_CELL, password=ACCOUNTS[OTHER_CELL]
    )
    async with somebody(claiming, identifier=OTHER_CELL) as controller:
        assert await controller.publish(OTHER_EVENTS, b"as another") == [NOT_AUTHORIZED]
        assert await controller.publish(EVENTS, b"as itself") == []
    assert await heard_up_to(witness, b"as itself") == []


async def test_a_cell_reads_nothing_and_a_dashboard_what_the_service_publishes(
    broker: SecureMosquitto, plant: Folder, cell: BrokerAddress, other_cell: BrokerAddress, service: BrokerAddress
) -> None:
    dashboard = address_of(broker.url, plant, DASHBOARD)
    everything = ("#", f"{ROOT}/#", EVENTS, LINK, f"{OUT}/#", "$SYS/#")
    async with somebody(cell, *everything) as reader, somebody(dashboard, *everything) as screen:
        async with somebody(other_cell) as controller, somebody(service) as us:
            await controller.publish(OTHER_EVENTS, b"an event")
            await controller.publish(OTHER_LINK, b"a link", retain=True)
            await us.publish(f"{OUT}/{CELL}/state", b"a state")
            await us.publish(f"{OUT}/link", b"the end", retain=True)
            await controller.publish(OTHER_LINK, b"", retain=True)
        assert set(await heard_up_to(screen, b"the end")) == {b"a state"}
        for topic in (f"{OUT}/link", f"{OUT}/{CELL}/state", EVENTS, f"{ROOT}/{DASHBOARD}/events"):
            assert await screen.publish(topic, b"from a dashboard") == [NOT_AUTHORIZED]
        assert await reader.publish(EVENTS, b"still here") == []
        assert reader.heard == []
    async with somebody(service) as us:
        await us.publish(f"{OUT}/link", b"", retain=True)


async def test_the_brokers_own_certificate_sees_that_it_answers_and_nothing_else(
    broker: SecureMosquitto, plant: Folder, cell: BrokerAddress
) -> None:
    async with somebody(address_of(broker.url, plant, BROKER), "$SYS/broker/uptime", "#") as health:
        await until(lambda: bool(health.heard), "the broker's uptime")
        assert [topic for topic, _ in health.heard] == ["$SYS/broker/uptime"]
        async with somebody(cell) as controller:
            await controller.publish(EVENTS, b"an event")
        for topic in (EVENTS, f"{ROOT}/{BROKER}/events", f"{OUT}/link"):
            assert await health.publish(topic, b"from the broker") == [NOT_AUTHORIZED]
        assert {topic for topic, _ in health.heard} == {"$SYS/broker/uptime"}


@pytest.mark.parametrize("name", ["+/+/+", "#", f"{CELL}#", "harbour/+/cell-1"])
async def test_a_name_with_wildcards_may_do_nothing(
    broker: SecureMosquitto, plant: Folder, own_plant: Folder, witness: Somebody, cell: BrokerAddress, name: str
) -> None:
    own_plant.write("wild", signed(plant, Wanted(name, Use.CLIENT)))
    files = Files(plant.file("ca", "pem"), own_plant.file("wild", "pem"), own_plant.file("wild", "key"))
    for url in (broker.cells_url, broker.url):
        async with somebody(parse_broker_url(url, files)) as wild, somebody(cell) as controller:
            assert await wild.publish(EVENTS, b"as all of them") == [NOT_AUTHORIZED]
            assert await controller.publish(EVENTS, b"after " + url.encode()) == []
        assert b"as all of them" not in await heard_up_to(witness, b"after " + url.encode())


async def test_the_last_will_of_a_cell_goes_out_on_its_link_and_on_no_other(
    cell: BrokerAddress, other_cell: BrokerAddress, witness: Somebody
) -> None:
    async with _will(cell, LINK) as controller:
        await controller.publish(LINK, b"up", retain=True)
        cut(controller.client)
    await until(lambda: (LINK, link_down()) in witness.heard, "the last will")
    forged = 0
    try:
        async with _will(cell, OTHER_LINK) as controller:
            cut(controller.client)
            forged = 1
    except MqttError:
        forged = 2
    assert forged
    async with somebody(other_cell) as controller:
        await controller.publish(OTHER_EVENTS, b"after the forged will")
    await heard_up_to(witness, b"after the forged will")
    assert [topic for topic, payload in witness.heard if payload == link_down()] == [LINK]
    async with somebody(cell) as controller:
        await controller.publish(LINK, b"", retain=True)


async def test_a_cell_that_takes_the_services_client_id_disturbs_nobody(
    service: BrokerAddress, cell: BrokerAddress, intake: RecordingIntake, name: str
) -> None:
    async with running(listener_at(service, intake, name)) as listener:
        async with somebody(cell, identifier=name) as controller:
            await controller.publish(EVENTS, b"as itself")
            await until(lambda: listener.counts.acknowledged == 1, "acknowledged")
        assert listener.counts.reconnects == 0
    assert intake.payloads() == [b"as itself"]


async def test_a_controller_with_a_password_has_the_same_rules_and_needs_the_right_one(
    broker: SecureMosquitto, plant: Folder, witness: Somebody
) -> None:
    def with_password(secret: str | None, account: str = CELL) -> BrokerAddress:
        address = parse_broker_url(broker.password_url(), Files(plant.file("ca", "pem")))
        return replace(address, username=account, password=secret)

    async with somebody(with_password(ACCOUNTS[CELL]), identifier="zoneledger") as controller:
        assert await controller.publish(OTHER_EVENTS, b"as another") == [NOT_AUTHORIZED]
        assert await controller.publish(f"{OUT}/link", b"as the service") == [NOT_AUTHORIZED]
        assert await controller.publish(EVENTS, b"with a password") == []
    assert await heard_up_to(witness, b"with a password") == []
    assert not await is_let_in(with_password("wrong"))
    assert not await is_let_in(with_password(None))
    assert not await is_let_in(with_password(ACCOUNTS[CELL], SERVICE))


def _will(address: BrokerAddress, topic: str) -> AbstractAsyncContextManager[Somebody]:
    return somebody(address, will=Will(topic, link_down(), qos=1, retain=True))
