"""A cluster of NATS servers with JetStream and MQTT on free ports: a replicated broker of which nodes can be killed."""

import shutil
import subprocess
import tempfile
from pathlib import Path

from tests.servers.programs import accepts_connections, find_program, free_port, wait_until

_NODE = """
server_name: node-{number}
listen: 127.0.0.1:{clients}
jetstream {{ store_dir: "{store}", max_memory_store: 64MB, max_file_store: 1GB }}
mqtt {{ listen: 127.0.0.1:{mqtt}, ack_wait: "{ack_wait_s}s", max_ack_pending: 2000 }}
cluster {{ name: cells, listen: 127.0.0.1:{routes}, routes: [{others}] }}
"""


class NatsCluster:
    """So many nodes, which keep each session and message on up to three of them; `kill` ends one as a power cut would.

    What was on its way to a client that is gone comes again `ack_wait_s` later, not when it is back.
    """

    def __init__(self, nodes: int = 3, ack_wait_s: int = 15) -> None:
        self._ack_wait_s = ack_wait_s
        self._program = find_program("nats-server")
        self._directory = Path(tempfile.mkdtemp(prefix="zoneledger-nats-"))
        self._ports = [{name: free_port() for name in ("clients", "mqtt", "routes")} for _ in range(nodes)]
        self._processes: dict[int, subprocess.Popen[bytes]] = {}

    def url(self, node: int) -> str:
        """The broker's URL at one of the nodes, from 0, as the service takes it."""
        return f"mqtt://127.0.0.1:{self._ports[node]['mqtt']}"

    def start(self) -> None:
        """Start all nodes and wait until they listen; they may need some seconds more to agree on a leader."""
        for node in range(len(self._ports)):
            self.start_node(node)
        for ports in self._ports:
            wait_until(lambda port=ports["mqtt"]: accepts_connections(port), "a node of NATS listens", 30)  # type: ignore[misc]

    def start_node(self, node: int) -> None:
        """Start a node, with what it kept."""
        folder, others = self._directory / str(node), [ports["routes"] for ports in self._ports]
        folder.mkdir(exist_ok=True)
        routes = ", ".join(f'"nats://127.0.0.1:{port}"' for port in others)
        told = _NODE.format(number=node, store=folder, others=routes, ack_wait_s=self._ack_wait_s, **self._ports[node])
        (folder / "node.conf").write_text(told)
        with (folder / "log").open("ab") as log:
            command = [str(self._program), "-c", str(folder / "node.conf")]
            self._processes[node] = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)

    def kill(self, node: int) -> None:
        """End a node as a power cut would."""
        process = self._processes.pop(node)
        process.kill()
        process.wait(timeout=20)

    def close(self) -> None:
        """End all nodes and remove what they kept."""
        for node in list(self._processes):
            self.kill(node)
        shutil.rmtree(self._directory, ignore_errors=True)

    def log(self, node: int) -> str:
        """Return what a node logged so far."""
        return (self._directory / str(node) / "log").read_text(errors="replace")
