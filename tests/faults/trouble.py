"""Faults that befall a bench while its cells send on, chosen by chance: of the broker, the link, the service and the database."""

import random
import time
from collections.abc import Callable

from tests.faults.bench import Bench
from tests.servers.relay import Relay

#: When the process is ended, as parts of the soak: by SIGTERM, and by kill -9.
ENDS = {"service terminated": (0.06, 0.12), "service killed": (0.26, 0.33)}


class Trouble:
    """Commits faults to a bench, and notes when."""

    def __init__(self, bench: Bench, relay: Relay, rng: random.Random, began_s: float) -> None:
        self.befallen: dict[str, list[float]] = {}
        self._bench, self._relay, self._rng, self._began_s = bench, relay, rng, began_s
        #: By name: how often among others, how long it takes about, and what is done; what ends the process is not chosen.
        self._kinds: dict[str, tuple[int, float, Callable[[], None]]] = {
            "link cut": (4, 1, relay.cut),
            "link reset": (4, 1, relay.reset),
            "link held": (3, 6, self._hold),
            "link half-open": (1, 60, self._half_open),
            "broker restarted": (3, 5, self._restart_broker),
            "service terminated": (0, 0, self._terminate),
            "service killed": (0, 0, self._kill),
        }
        if bench.postgres is not None:
            self._kinds["database restarted"] = (2, 5, self._restart_database)

    def befall(self, name: str) -> None:
        """Let a fault befall; one of the link waits until there is a link."""
        if name.startswith("link"):
            self._bench.wait_until(lambda: self._bench.service.is_well("ready"), "the service is ready")
        self.befallen.setdefault(name, []).append(time.monotonic() - self._began_s)
        _, _, commit = self._kinds[name]
        commit()

    def choose(self, left_s: float) -> str | None:
        """Return by chance a fault that is likely to be over in time, None where there is none."""
        fitting = {name: often for name, (often, takes_s, _) in self._kinds.items() if often and takes_s <= left_s}
        return self._rng.choices(list(fitting), list(fitting.values()))[0] if fitting else None

    def _hold(self) -> None:
        self._relay.pause()
        time.sleep(self._rng.uniform(1, 6))
        self._relay.resume()

    def _half_open(self) -> None:
        before = self._relay.accepted
        self._relay.half_open()
        self._bench.wait_until(lambda: self._relay.accepted > before, "the dead link is noticed", 50)
        self._bench.wait_until(lambda: self._bench.service.is_well("ready"), "the link is there again", 50)

    def _restart_broker(self) -> None:
        self._bench.broker.stop()
        time.sleep(self._rng.uniform(0, 3))
        self._bench.broker.start()

    def _restart_database(self) -> None:
        assert self._bench.postgres is not None
        self._bench.postgres.stop()
        time.sleep(self._rng.uniform(0, 3))
        self._bench.postgres.start()

    def _terminate(self) -> None:
        self._bench.service.stop()
        self._bench.service.start("live")

    def _kill(self) -> None:
        self._bench.service.kill()
        self._bench.service.start("live")
