"""Checks of the machine: its clock, its disk, its time zones, and how many files a process may open."""

import asyncio
import json
import os
import re
import resource
import shutil
import zoneinfo
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

from zoneledger.clock import now_us
from zoneledger.core.errors import StoreUnavailable
from zoneledger_cli.checks.findings import Finding, fault, not_known, ok, warning
from zoneledger_cli.checks.installation import Installation

#: How long a program of the machine may take to answer.
ANSWER_S = 5.0
#: A clock that differs by more is not well.
CLOCK_S = 0.5
#: What a process needs of open files beside its live streams.
FILES_BESIDE = 300
#: A disk with less room than this stops more than the service.
FEW_BYTES = 500_000_000
#: The rules of time zones change several times a year; those of so many years ago are likely to be wrong somewhere.
OLD_YEARS = 2


def tell_bytes(number: int) -> str:
    """Return a number of bytes as people read it."""
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if number >= size:
            return f"{number / size:,.1f} {unit}"
    return f"{number} bytes"


def file_system_of(path: Path) -> str | None:
    """Return the kind of file system that a file lies on, None where the machine does not tell."""
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return None
    real = path.resolve()
    found = [(Path(at.encode().decode("unicode_escape")), kind) for _, at, kind, *_ in map(str.split, mounts)]
    around = [(len(at.parts), number, kind) for number, (at, kind) in enumerate(found) if real.is_relative_to(at)]
    return max(around)[2] if around else None


async def _answer(*command: str) -> str | None:
    """Return what a program of the machine prints, None where there is none or it fails."""
    if shutil.which(command[0]) is None:
        return None
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL
    )
    try:
        async with asyncio.timeout(ANSWER_S):
            printed, _ = await process.communicate()
    except TimeoutError:
        process.kill()
        await process.wait()
        return None
    return printed.decode(errors="replace").strip() if process.returncode == 0 else None


async def clock(_: Installation) -> list[Finding]:
    """Say whether the machine's clock is set by the network, as far as the machine tells."""
    tracking = await _answer("chronyc", "-c", "tracking")
    if tracking is not None and tracking.count(",") >= 13:
        fields = tracking.split(",")
        return [_tracked(float(fields[4]), fields[13])]
    synchronised = await _answer("timedatectl", "show", "--property=NTPSynchronized", "--value")
    if synchronised == "yes":
        return [ok("clock", "the machine's clock is set by the network")]
    if synchronised == "no":
        return [
            warning("clock", "the machine's clock is not set by the network", "let it be: messages are judged by it")
        ]
    said = (
        "whether the machine's clock is set by the network cannot be told here: neither timedatectl nor chronyc answers"
    )
    return [not_known("clock", said, "see that the machine, or the one around it, does it")]


def _tracked(offset_s: float, leap: str) -> Finding:
    """Return what chrony tells: how far the clock is off, and whether it follows anything."""
    if leap == "Not synchronised":
        return warning("clock", "the machine's clock follows no time source", "look at chronyc sources")
    said = f"the machine's clock is {abs(offset_s):.6f} s off the network's"
    return warning("clock", said, "look at chronyc sources") if abs(offset_s) > CLOCK_S else ok("clock", said)


async def disk(_: Installation) -> list[Finding]:
    """Say how much room there is where the service runs."""
    left = shutil.disk_usage(os.getcwd()).free
    said = f"{tell_bytes(left)} are left where the service runs"
    return [warning("disk", said, "make room") if left < FEW_BYTES else ok("disk", said)]


async def open_files(installation: Installation) -> list[Finding]:
    """Say whether a process may open as many files as there may be live streams."""
    streams, most = installation.settings.live_streams, resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    wanted = streams + FILES_BESIDE
    said = (
        f"a process of this account may open {most:,} files, and with {streams:,} live streams it may want {wanted:,}"
    )
    if 0 <= most < wanted:
        return [
            warning("open files", said, "let it open more (LimitNOFILE of systemd), or lower ZONELEDGER_LIVE_STREAMS")
        ]
    return [ok("open files", said)]


async def time_zones(installation: Installation) -> list[Finding]:
    """Say which version the time zones' rules have, and whether all sites' zones are there."""
    version = _version_of_zones()
    said = f"the rules of time zones are of {version}"
    findings = [ok("time zones", said)]
    this_year = datetime.fromtimestamp(now_us() / 1e6, UTC).year
    if int(version[:4]) <= this_year - OLD_YEARS:
        findings = [warning("time zones", said, "update the machine's tzdata: shifts over a clock change may be wrong")]
    for name in await _zones_of_sites(installation):
        if name not in zoneinfo.available_timezones():
            said = f"there is no time zone {name}, which the plant model names"
            findings.append(fault("time zones", said, "update the machine's tzdata, or mend the plant model"))
    return findings


def _version_of_zones() -> str:
    """Return the version of the rules that zoneinfo reads: the machine's, else the package's."""
    for folder in zoneinfo.TZPATH:
        try:
            with (Path(folder) / "tzdata.zi").open(encoding="utf-8") as rules:
                first = rules.readline()
        except OSError:
            continue
        if found := re.search(r"version (\d{4}\w*)", first):
            return found[1]
    return str(import_module("tzdata").IANA_VERSION)


async def _zones_of_sites(installation: Installation) -> list[str]:
    """Return the time zones that the declared plant names; it is not read as a plant, which takes none that there is not."""
    try:
        document = (await installation.facts()).plant
    except StoreUnavailable:
        return []
    return [] if document is None else [site["timezone"] for site in json.loads(document)["sites"]]
