"""Sends what simulated cells do to a broker or to the service itself."""

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Annotated

import typer

from zoneledger.clock import now_us
from zoneledger.core.decoding import Refusal
from zoneledger.core.validation import parse_instant
from zoneledger.settings import setting
from zoneledger_cli.asking import client_of
from zoneledger_cli.progress import Told, silent
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.credential_files import CELL, Files
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_mqtt.topics import Topics
from zoneledger_sim.http import HttpSender
from zoneledger_sim.pace import Due, at_once, paced
from zoneledger_sim.plan import Scenario
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate
from zoneledger_sim.sender import Sender
from zoneledger_sim.truth import Truth

#: What simulated time may begin with instead of an instant.
NOW = "now"


Authorities = Annotated[
    Path | None, typer.Option(help="The authorities that sign the broker's certificate", envvar=setting("broker_ca"))
]
Certificate = Annotated[
    Path | None,
    typer.Option(
        help=f"The certificate to show to the broker; {CELL} in the name stands for a cell's path",
        envvar=setting("broker_certificate"),
    ),
]
CertificateKey = Annotated[
    Path | None, typer.Option(help="The certificate's private key, named alike", envvar=setting("broker_key"))
]


@dataclass(frozen=True, slots=True)
class Target:
    """Where messages go: a broker's URL with its topic root and the files for TLS, or the service's address, with what it asks for."""

    broker: str | None
    url: str | None
    topic_root: str
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    bearer: str | None = None


@asynccontextmanager
async def sender_to(
    target: Target, scenario: Scenario, start_us: int, *, refusals_expected: bool
) -> AsyncIterator[Sender]:
    """Yield the way to a target; on a broker all links of the scenario's cells are up from then on, and down at the end.

    Raises ValueError unless exactly one of broker and url is given.
    """
    if (target.broker is None) == (target.url is None):
        raise ValueError("give either --broker or --url")
    if target.broker is not None:
        address = parse_broker_url(target.broker, Files(target.ca, target.certificate, target.key))
        async with MqttSender(address, Topics(target.topic_root)) as sender:
            for plan in scenario.cells:
                await sender.link_up(scenario.path(plan.cell), start_us // 1_000_000)
            yield sender
    else:
        async with client_of(target.url or "", target.bearer) as client:
            yield HttpSender(client, refusals_expected=refusals_expected)


def begin_of(start: str, pace: float | None) -> tuple[int, float | None]:
    """Return when simulated time begins, and its pace: from now on real time unless told, as what is ahead of it is refused."""
    if start == NOW:
        return now_us(), 1 if pace is None else pace
    try:
        return parse_instant("start", start), pace
    except Refusal as error:
        raise typer.BadParameter(f"{error}, or {NOW}") from None


def write_plant(scenario: Scenario, path: Path) -> None:
    """Write the plant model that a scenario needs, as JSON, which YAML readers take too."""
    path.write_text(json.dumps(plant_document(scenario), indent=2) + "\n")


async def run_simulation(
    scenario: Scenario,
    target: Target,
    *,
    start_us: int,
    until_us: int | None,
    pace: float | None,
    ledger: Path | None,
    told: Told = silent,
) -> Truth:
    """Simulate from `start_us` to `until_us` (None: for ever), as fast as possible or at a pace (1: real time)."""
    due = _telling(at_once if pace is None else paced(start_us, now_us(), pace), start_us, told)
    m = scenario.misbehaviour
    misbehaves = bool(m.duplicate or m.reorder or m.lose or m.late or m.reboots_per_hour or m.clock_steps_per_hour)
    async with sender_to(target, scenario, start_us, refusals_expected=misbehaves) as sender:
        return await simulate(
            scenario, start_us=start_us, until_us=until_us, sender=sender, now_us=now_us, due=due, ledger_path=ledger
        )


def _telling(due: Due, start_us: int, told: Told) -> Due:
    """Return a pace that tells of each message how much time was simulated, and the how many-th it is."""
    numbers = count(1)

    def tell(at_us: int) -> int:
        told(at_us - start_us, next(numbers))
        return due(at_us)

    return tell
