"""The service's own commands with a failpoint: `python -m tests.faults.failing serve ...` dies, fails or stalls where it is told to.

ZONELEDGER_TEST_FAILPOINT is `name:action:chance:seed`, such as `before_commit:kill:0.1:7`: at each pass the action happens
with this chance. Nothing of this is in the product: methods are wrapped at the start of the process, and only of the
failpoint that is asked for.
"""

import functools
import os
import random
import signal
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from tests.faults.samples import SAMPLES, sample_into
from zoneledger.application.recorder import Recorder
from zoneledger.core.errors import StoreUnavailable
from zoneledger.storage import schema
from zoneledger.storage.store import SqlStore
from zoneledger.storage.writing import SqlWriting
from zoneledger_cli import main
from zoneledger_mqtt.inner_client import Acknowledging
from zoneledger_mqtt.window import Window

FAILPOINT = "ZONELEDGER_TEST_FAILPOINT"
#: How long `pause` stands still, the whole process.
PAUSE_S = 3.0

Passing = Callable[[], None]
"""Called at each pass through the failpoint."""


def _kill() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _unavailable() -> None:
    raise StoreUnavailable("a failpoint says so")


def _os_error() -> None:
    raise OSError("a failpoint says so")


ACTIONS: dict[str, Callable[[], None]] = {
    "kill": _kill,
    "unavailable": _unavailable,
    "oserror": _os_error,
    "stop": lambda: os.kill(os.getpid(), signal.SIGSTOP),
    "pause": lambda: time.sleep(PAUSE_S),
}


def _before(owner: Any, name: str, passing: Passing) -> None:
    inner = getattr(owner, name)

    @functools.wraps(inner)
    def wrapped(*args: Any, **options: Any) -> Any:
        passing()
        return inner(*args, **options)

    setattr(owner, name, wrapped)


def _after(owner: Any, name: str, passing: Passing) -> None:
    inner = getattr(owner, name)

    @functools.wraps(inner)
    def wrapped(*args: Any, **options: Any) -> Any:
        answer = inner(*args, **options)
        passing()
        return answer

    setattr(owner, name, wrapped)


def _after_awaiting(owner: Any, name: str, passing: Passing) -> None:
    inner: Callable[..., Awaitable[Any]] = getattr(owner, name)

    @functools.wraps(inner)
    async def wrapped(*args: Any, **options: Any) -> Any:
        answer = await inner(*args, **options)
        passing()
        return answer

    setattr(owner, name, wrapped)


def _at_commit(passing: Passing) -> None:
    inner = SqlStore.writing

    @asynccontextmanager
    async def writing(store: SqlStore) -> AsyncIterator[Any]:
        async with inner(store) as writing:
            yield writing
            passing()

    SqlStore.writing = writing  # type: ignore[method-assign, assignment]


#: Where a delivery can be when it goes wrong, in the order in which it passes them, and what is beside its way.
FAILPOINTS: dict[str, Callable[[Passing], None]] = {
    "received": lambda passing: _before(Window, "take", passing),
    "in_memory": lambda passing: _before(Recorder, "_commit", passing),
    "events_added": lambda passing: _after_awaiting(SqlWriting, "add_events", passing),
    "before_booking": lambda passing: _after_awaiting(SqlWriting, "add_snapshots", passing),
    "booked": lambda passing: _after_awaiting(SqlWriting, "add_booked", passing),
    "before_commit": _at_commit,
    "committed": lambda passing: _after_awaiting(Recorder, "_commit", passing),
    "acknowledging": lambda passing: _before(Acknowledging, "acknowledge", passing),
    "acknowledged": lambda passing: _after(Acknowledging, "acknowledge", passing),
    "migrating": lambda passing: _after(schema, "_move", passing),
}


def install(environment: Mapping[str, str]) -> None:
    """Wrap what the environment asks for; raises KeyError or ValueError where it asks for what there is not."""
    asked = environment.get(FAILPOINT)
    if asked:
        name, action, chance, seed = asked.split(":")
        at_most, happens, act = float(chance), random.Random(int(seed)), ACTIONS[action]

        def passing() -> None:
            if happens.random() < at_most:
                act()

        FAILPOINTS[name](passing)
    if SAMPLES in environment:
        sample_into(Path(environment[SAMPLES]))


if __name__ == "__main__":
    install(os.environ)
    sys.exit(main.app())
