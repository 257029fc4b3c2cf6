"""A replicated broker: the node that a worker was connected to is killed with the worker, and another node has its session."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.checking import check
from tests.faults.sending import Cells, Sent
from tests.servers.nats import NatsCluster
from tests.servers.programs import ProgramMissing, find_program, wait_until
from tests.servers.service import ServiceProcess
from zoneledger_cli.simulating import write_plant

#: What was on its way to the killed worker comes again after so long.
ACK_WAIT_S = 15


pytestmark = pytest.mark.cluster


@pytest.fixture
def cluster() -> Iterator[NatsCluster]:
    """Three nodes; skipped where the program is missing, as the project needs it for nothing else."""
    try:
        find_program("nats-server")
    except ProgramMissing:
        pytest.skip("nats-server is not installed: apt-get install -y nats-server")
    found = NatsCluster(ack_wait_s=ACK_WAIT_S)
    try:
        found.start()
        yield found
    finally:
        found.close()


def test_a_node_and_the_worker_on_it_are_killed(cluster: NatsCluster, tmp_path: Path) -> None:
    sent, plant = Sent(cluster.url(1), tmp_path / "sent.jsonl", cells=4, pace=200), tmp_path / "plant.json"
    write_plant(sent.scenario, plant)
    flags = ["--database", f"sqlite:///{tmp_path / 'zoneledger.db'}", "--plant", str(plant)]
    first = ServiceProcess(*flags, "--broker", cluster.url(0))
    second = ServiceProcess(*flags, "--broker", cluster.url(2))
    first.start()
    try:
        with Cells(sent) as cells:
            wait_until(lambda: first.received() > 500, "500 events are stored by the first node", 60)
            first.kill()
            cluster.kill(0)
            ended_s = time.monotonic()
            second.start("live")
            wait_until(lambda: second.received() > 2000, "2,000 events are stored", 120)
            cells.stop()
        found = check(sent.ledger, second.url, recover_s=0, ended_s=ended_s, wait_s=120, quiet_s=2 * ACK_WAIT_S)
        assert found.faultless, found
        assert found.stored == found.sent > 2000
    finally:
        first.stop()
        second.stop()
