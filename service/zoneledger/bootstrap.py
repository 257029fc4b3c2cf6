"""Where ports meet what implements them."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import cached_property, partial

from zoneledger.application.callers import Callers
from zoneledger.application.lateness import Lateness
from zoneledger.application.live import Live
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store
from zoneledger.application.recorder import Recorder
from zoneledger.application.retry import Retries
from zoneledger.application.stored import Room
from zoneledger.application.units import Moments
from zoneledger.application.wellness import Ailment, Check, Wellness
from zoneledger.clock import now_us
from zoneledger.core.booking import Limits
from zoneledger.core.errors import StoreUnavailable
from zoneledger.identity import JwtTokens, TokenRules
from zoneledger.plant_document import read_json, to_plant
from zoneledger.storage.engines import open_engines
from zoneledger.storage.present_schema import is_current
from zoneledger.storage.room import room_of
from zoneledger.storage.store import ONLY_READS, SqlStore

#: How many answers are made aside at once; each takes one connection.
ASIDE_AT_ONCE = 4

OTHER_SCHEMA = Ailment(
    "the database has the schema of another version",
    "start the version that wrote it, or restart this one, which migrates an older schema",
)


@dataclass(frozen=True)
class Service:
    """All that an entry point needs; `recorder.run()` has to run while deliveries are handed in.

    `checks` say, by name, what is not well of what it rests on, and `gauges` what is measured; adapters add theirs. `listens`
    tells whether this process takes in what the broker brings, and not another one; None where there is no broker. A service
    that `reads_only` changes nothing.
    `aside` is the same store for another event loop, and only reads; `room`, for that loop too, tells how much room it takes.
    """

    store: Store
    plants: Plants
    recorder: Recorder
    retries: Retries
    moments: Moments
    live: Live
    limits: Limits
    now_us: Callable[[], int]
    lateness: Lateness
    aside: Store
    room: Callable[[], Awaitable[Room]]
    callers: Callers
    checks: dict[str, Check] = field(default_factory=dict)
    gauges: dict[str, Callable[[], float]] = field(default_factory=dict)
    listens: Callable[[], bool] | None = None
    reads_only: bool = False

    @cached_property
    def wellness(self) -> Wellness:
        """What tells whether the checks are well, and since when they are not."""
        return Wellness(self.checks, self.now_us)

    def check_writes(self) -> None:
        """Raise StoreUnavailable where this process only reads: before anything is computed for what is to be written."""
        if self.reads_only:
            raise StoreUnavailable(ONLY_READS)


def build_service(
    database_url: str,
    *,
    clock: Callable[[], int] = now_us,
    reads_only: bool = False,
    authenticate: bool = False,
    tokens: TokenRules | None = None,
) -> Service:
    """Return the service on a database whose schema is already this program's; without `authenticate` everybody is let in."""
    engines, limits = open_engines(database_url), Limits()
    store = SqlStore(engines, reads_only=reads_only)
    plants = Plants(lambda text: to_plant(read_json(text)))

    async def schema() -> Ailment | None:
        return None if await is_current(engines.read) else OTHER_SCHEMA

    moments, retries = Moments(limits), Retries(plants, clock, limits)
    live = Live(store, plants, clock, moments)
    recorder = Recorder(store, plants, clock, limits, live.note)
    checks: dict[str, Check] = {"database": schema}
    lateness, beside = Lateness(clock), open_engines(database_url, ASIDE_AT_ONCE)
    aside, room = SqlStore(beside, reads_only=True), partial(room_of, beside.read)
    checker = None if tokens is None else JwtTokens(tokens, clock)
    callers = Callers(store, clock, checker, required=authenticate, reads_only=reads_only)
    shared = (store, plants, recorder, retries, moments, live, limits, clock, lateness, aside, room, callers)
    return Service(*shared, checks, reads_only=reads_only)
