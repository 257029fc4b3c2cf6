"""What an operator watches, as Prometheus text: read off memory, and off the database only what is bounded, once a minute."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import asdict, dataclass
from importlib.metadata import version
from itertools import accumulate
from typing import Any, NamedTuple, get_args

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, generate_latest
from prometheus_client.metrics_core import Metric

from zoneledger.application.lateness import Tally
from zoneledger.application.live import CellNow
from zoneledger.application.tally import Histogram, IntakeTally
from zoneledger.bootstrap import Service
from zoneledger.core.decoding import Reason
from zoneledger.core.messages import RESULTS
from zoneledger.core.states import STATES

MEDIA_TYPE = CONTENT_TYPE_PLAIN_0_0_4
PREFIX = "zoneledger_"
#: How many gaps are counted at most.
MOST_GAPS = 1000


class Described(NamedTuple):
    """A metric: its kind, what it tells, and its labels."""

    kind: type[Any]
    help: str
    labels: tuple[str, ...] = ()


_COUNTER, _GAUGE, _HISTOGRAM = CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily

#: Every metric by its name without the prefix; a counter's has `_total` at its end when it is told.
METRICS: dict[str, Described] = {
    "build_info": Described(_GAUGE, "1, with what runs: mode is full or reads_only", ("version", "mode")),
    "ready": Described(_GAUGE, "1 while all that readiness rests on is well"),
    "database_up": Described(_GAUGE, "1 while the database answers and has this version's schema"),
    "database_takes_in": Described(_GAUGE, "0 while the database could not be written to when it last had to be"),
    "database_bytes": Described(_GAUGE, "bytes that the database takes; looked at once a minute"),
    "database_free_bytes": Described(_GAUGE, "bytes left on the disk of an SQLite database; looked at once a minute"),
    "broker_connected": Described(_GAUGE, "1 while this process is subscribed at the broker"),
    "broker_files_fit": Described(
        _GAUGE, "1 while the files for the broker can be used, 0 while those before them are used on"
    ),
    "broker_certificate_expires_in_seconds": Described(
        _GAUGE, "seconds until the certificate ends that is shown to the broker"
    ),
    "broker_ca_expires_in_seconds": Described(
        _GAUGE, "seconds until the first of the authorities ends that sign the broker's certificate"
    ),
    "broker_server_certificate_expires_in_seconds": Described(
        _GAUGE, "seconds until the certificate ends that the broker showed last; NaN before that"
    ),
    "broker_unacknowledged_messages": Described(_GAUGE, "messages of the broker that are not committed yet"),
    "lease_held": Described(_GAUGE, "1 while this process is the one of its client id that listens to the broker"),
    "publisher_connected": Described(
        _GAUGE, "1 while the broker takes the states and figures that this process publishes"
    ),
    "messages_stored": Described(_COUNTER, "messages stored since the start of this process"),
    "messages_duplicate": Described(_COUNTER, "messages that were known already"),
    "messages_refused": Described(_COUNTER, "messages and payloads refused, by reason", ("reason",)),
    "fasteners": Described(_COUNTER, "new fasteners taken in, by cell and first result", ("cell", "result")),
    "ingest_group_deliveries": Described(_HISTOGRAM, "deliveries that were committed together"),
    "ingest_commit_seconds": Described(_HISTOGRAM, "seconds that it took to record and commit such a group"),
    "ingest_groups_not_kept": Described(_COUNTER, "groups of which nothing was kept, as the database did not answer"),
    "ingest_waiting_deliveries": Described(_GAUGE, "deliveries that wait to be recorded"),
    "ingest_waiting_bytes": Described(_GAUGE, "bytes of the deliveries that wait"),
    "event_loop_due": Described(_COUNTER, "how often something was due in the event loop: each 10 ms"),
    "event_loop_late": Described(_COUNTER, "how often it was begun more than 20 ms late"),
    "event_loop_late_p99_seconds": Described(_GAUGE, "99 in 100 of the last minute were begun at most so late"),
    "event_loop_late_most_seconds": Described(_GAUGE, "the most that it was late in the last minute"),
    "refused_logins": Described(_COUNTER, "keys, tokens and sessions that were sent and were not right"),
    "live_streams_open": Described(_GAUGE, "live streams that are open"),
    "cells": Described(_GAUGE, "cells of the plant model"),
    "cell_state": Described(_GAUGE, "1 for the present state of a cell, 0 for the other four", ("cell", "state")),
    "cell_link_up": Described(_GAUGE, "1 while a cell's link is up, 0 while down; absent if never told", ("cell",)),
    "cell_heard": Described(_GAUGE, "1 once anything that a cell sent was booked, 0 while nothing ever was", ("cell",)),
    "cell_in_shift": Described(
        _GAUGE, "1 while the cell belongs to its line, and that is in a shift or has none; else 0", ("cell",)
    ),
    "cell_last_message_age_seconds": Described(_GAUGE, "seconds since the booked time of its last message", ("cell",)),
    "gaps_open": Described(_GAUGE, f"stretches of missing events, at most {MOST_GAPS}; looked at once a minute"),
    "presums_behind": Described(_GAUGE, "settled slots of the last day not summed beforehand; looked at once a minute"),
}

Samples = Iterable[tuple[tuple[str, ...], float]]
"""Label values, and a value."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What the database was looked into for; None where it did not answer."""

    gaps_open: int | None = None
    presums_behind: int | None = None
    database_bytes: int | None = None
    database_free_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that is told, taken in one go in the event loop, so that it can be made a text elsewhere."""

    values: Mapping[str, float | None]
    tally: IntakeTally
    cells: Sequence[CellNow]
    now_us: int
    reads_only: bool


def snapshot_of(
    service: Service, *, streams_open: int, refused_logins: int, ailing: Collection[str], looked: Looked
) -> Snapshot:
    """Return what there is to tell now; `ailing` are the checks that are not well."""
    waiting, waiting_bytes = service.recorder.waiting
    cells = service.live.now()
    values: dict[str, float | None] = {
        **{name: float(read()) for name, read in service.gauges.items()},
        **_lateness(service.lateness.since_start, service.lateness.last_minute),
        "ready": not ailing,
        "database_up": "database" not in ailing,
        "database_takes_in": None if service.reads_only else service.recorder.writes,
        "ingest_waiting_deliveries": waiting,
        "ingest_waiting_bytes": waiting_bytes,
        "live_streams_open": streams_open,
        "refused_logins": refused_logins,
        "cells": None if cells is None else len(cells),
        **asdict(looked),
    }
    # The tally goes on while a thread makes a text of the snapshot.
    return Snapshot(values, deepcopy(service.recorder.tally), cells or (), service.now_us(), service.reads_only)


def _lateness(since_start: Tally, last_minute: Tally) -> dict[str, float | None]:
    return {
        "event_loop_due": since_start.due,
        "event_loop_late": since_start.too_late,
        "event_loop_late_p99_seconds": last_minute.share_s(0.99),
        "event_loop_late_most_seconds": None if last_minute.most_us is None else last_minute.most_s,
    }


class _Telling:
    """A collector of what one snapshot holds, for a registry of its own: none of the process's own figures are gathered."""

    def __init__(self, snapshot: Snapshot) -> None:
        self._snapshot = snapshot

    def collect(self) -> Iterator[Metric]:
        """Yield every metric that has a value."""
        samples, tally = _samples(self._snapshot), self._snapshot.tally
        histograms = {"ingest_group_deliveries": tally.groups, "ingest_commit_seconds": tally.commit_s}
        for name, (kind, text, labels) in METRICS.items():
            metric = kind(PREFIX + name, text, labels=labels)
            if name in histograms:
                _add_histogram(metric, histograms[name])
            for values, number in samples.get(name, ()):
                metric.add_metric(values, number)
            if metric.samples:
                yield metric


def _samples(snapshot: Snapshot) -> dict[str, Samples]:
    tally, cells = snapshot.tally, snapshot.cells
    paths = [cell.cell for cell in cells]
    alone: dict[str, Samples] = {name: [((), v)] for name, v in snapshot.values.items() if v is not None}
    mode = "reads_only" if snapshot.reads_only else "full"
    return alone | {
        "build_info": [((version("zoneledger"), mode), 1)],
        "messages_stored": [((), tally.stored)],
        "messages_duplicate": [((), tally.duplicate)],
        "messages_refused": [((reason,), tally.refused[reason]) for reason in get_args(Reason)],
        "ingest_groups_not_kept": [((), tally.not_kept)],
        "fasteners": [((path, result), tally.fasteners[path, result]) for path in paths for result in RESULTS],
        "cell_state": [((c.cell, state), c.present[c.cell].state == state) for c in cells for state in STATES],
        "cell_link_up": [((cell.cell,), cell.link == "up") for cell in cells if cell.link is not None],
        "cell_heard": [((cell.cell,), cell.booked_us is not None) for cell in cells],
        "cell_in_shift": [((cell.cell,), cell.in_shift) for cell in cells],
        "cell_last_message_age_seconds": [
            ((cell.cell,), (snapshot.now_us - cell.booked_us) / 1e6) for cell in cells if cell.booked_us is not None
        ],
    }


def _add_histogram(metric: Any, histogram: Histogram) -> None:
    bounds = [*(f"{bound:g}" for bound in histogram.bounds), "+Inf"]
    metric.add_metric([], list(zip(bounds, accumulate(histogram.counts), strict=True)), histogram.sum)


def text_of(snapshot: Snapshot) -> bytes:
    """Return a snapshot as Prometheus text."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Telling(snapshot))
    return generate_latest(registry)
