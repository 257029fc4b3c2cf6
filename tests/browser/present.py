"""A line of which something is known of now: a shift that began an hour ago, a run in it and a fault."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

from tests.faults.launching import ForkedService
from tests.scenarios.story import Message, Story, results
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us

LINE, CELL = "quay/line-1", "quay/line-1/cell-1"
#: A line of the same site without shifts.
WITHOUT_SHIFTS = "quay/line-2"
MADE = 40


def _now() -> datetime:
    return datetime.fromtimestamp(now_us() / 1e6, UTC)


def _plant() -> dict[str, Any]:
    began = (_now() - timedelta(hours=1)).strftime("%H:%M")
    shift = {"shift": "early", "starts": began, "ends": began, "repeats": "FREQ=DAILY", "since": "2026-01-01"}
    line: dict[str, Any] = {
        "line": "line-1",
        "shifts": [shift],
        "standards": [{"operation": "fasten", "seconds": 18.0, "since": "2026-01-01"}],
        "cells": [{"cell": "cell-1", "zones": ["1"]}],
    }
    other = {"line": "line-2", "cells": [{"cell": "cell-1", "zones": ["1"]}]}
    return {"sites": [{"site": "quay", "timezone": "UTC", "lines": [line, other]}]}


def _told() -> list[Message]:
    """Return what the cell tells of the last twenty minutes: a run, and a fault; then it falls silent."""
    story = Story(_now() - timedelta(minutes=20)).run(15, results(MADE, 0))
    story.event(story.minute, type="alarm", phase="raise", code="clamp-force", severity="stop")
    return story.messages


def send(service: ServiceProcess, messages: list[Message]) -> None:
    """Send messages of the cell; all of them are to be taken."""
    sent = httpx.post(f"{service.url}/v1/messages", json={"cell": CELL, "messages": messages}, timeout=60)
    assert sent.json()["refused"] == []


def clear(seq: int) -> Message:
    """Return the event, of a number, by which the fault ends now."""
    alarm = {"type": "alarm", "phase": "clear", "code": "clamp-force", "severity": "stop", "zone": "1"}
    return {"v": 1, "boot": 1, "seq": seq, "at": _now().isoformat(), **alarm}


@contextmanager
def present_line(folder: Path) -> Iterator[ServiceProcess]:
    """Run a service that knows the last twenty minutes of a line's cell."""
    plant = folder / "present.json"
    plant.write_text(json.dumps(_plant()))
    with ForkedService("--database", f"sqlite:///{folder / 'present.db'}", "--plant", str(plant)) as service:
        send(service, _told())
        yield service
