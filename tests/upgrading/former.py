"""The service of a former version, from its sources, and what it and the present one tell of the same time."""

import asyncio
from pathlib import Path
from typing import Any

from tests.faults.launching import FailingService
from tests.servers.service import Running, ServiceProcess
from zoneledger.clock import now_us
from zoneledger.storage.examining import examine_database


class FormerService(FailingService):
    """`zoneledger serve` of the version whose sources lie in a folder."""

    def __init__(self, sources: Path, *flags: str) -> None:
        folders = [str(sources / name) for name in ("service", "adapters")]
        super().__init__(*flags, environment={"PYTHONPATH": ":".join(folders)})

    def _launch(self, arguments: list[str]) -> Running:
        return ServiceProcess._launch(self, arguments)


def schema_of(url: str) -> str:
    """Return the revision of a database's schema."""
    found = asyncio.run(examine_database(url, now_us)).schema
    assert found is not None
    return found


def differences(kept: Any, told: Any, place: str = "") -> list[str]:
    """Return the places at which an answer is not what was kept of one; what it has beside that is new.

    The sentence beside a code may be worded anew.
    """
    if isinstance(kept, dict) and isinstance(told, dict):
        names = [(name, f"{place}/{name}") for name in kept if name != "text" or "code" not in kept]
        missing = [where for name, where in names if name not in told]
        return missing + [
            one for name, where in names if name in told for one in differences(kept[name], told[name], where)
        ]
    if isinstance(kept, list) and isinstance(told, list) and len(kept) == len(told):
        pairs = enumerate(zip(kept, told, strict=True))
        return [one for number, (a, b) in pairs for one in differences(a, b, f"{place}/{number}")]
    return [] if kept == told else [f"{place}: {kept!r} and {told!r}"]
