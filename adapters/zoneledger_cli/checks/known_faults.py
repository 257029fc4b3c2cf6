"""Versions of databases and brokers with faults that bear on this service: each with what it costs and where that is written."""

from typing import NamedTuple

from zoneledger_cli.checks.findings import Finding, ok, warning

Version = tuple[int, ...]

_MOSQUITTO = "https://github.com/eclipse-mosquitto/mosquitto/blob/master/ChangeLog.txt"
_SQLITE = "https://sqlite.org/wal.html#walresetbug"
_SQLITE_RACE = (
    "a race between a checkpoint and a writer can damage a file with a write-ahead log; the service has one connection that writes "
    "and checkpoints, which avoids it, but not beside a second process on the same file, such as another service, or zoneledger "
    "rebuild, key create or key revoke while the service runs"
)


class Known(NamedTuple):
    """A fault of the versions from `first` up to, and without, `mended`."""

    program: str
    first: Version
    mended: Version
    what: str
    source: str


KNOWN = (
    Known("SQLite", (3, 7, 0), (3, 44, 6), _SQLITE_RACE, _SQLITE),
    Known("SQLite", (3, 45, 0), (3, 50, 7), _SQLITE_RACE, _SQLITE),
    Known("SQLite", (3, 51, 0), (3, 51, 3), _SQLITE_RACE, _SQLITE),
    Known(
        "PostgreSQL",
        (0,),
        (14,),
        "this series is not maintained any more, not against losses either",
        "https://www.postgresql.org/support/versioning/",
    ),
    Known(
        "PostgreSQL",
        (14, 0),
        (14, 4),
        "indexes made or rebuilt with CONCURRENTLY may lack rows: rebuild them after the update",
        "https://www.postgresql.org/docs/14/release-14-4.html",
    ),
    Known(
        "PostgreSQL",
        (15, 0),
        (15, 20),
        "several faults may damage indexes: after the update rebuild those that its notes name",
        "https://www.postgresql.org/docs/15/release-15-20.html",
    ),
    Known(
        "PostgreSQL",
        (18, 0),
        (18, 7),
        "several faults may damage indexes, and incremental backups: after the update rebuild what its notes name, and take a "
        "full backup",
        "https://www.postgresql.org/docs/18/release-18-7.html",
    ),
    Known(
        "Mosquitto",
        (2, 0, 0),
        (2, 0, 10),
        "a client that is let in can end the broker by one malformed packet (CVE-2021-28166)",
        _MOSQUITTO,
    ),
    Known(
        "Mosquitto",
        (0,),
        (2, 0, 16),
        "whoever reaches the port can fill the broker's memory (CVE-2023-28366, CVE-2023-0809, CVE-2023-3592)",
        _MOSQUITTO,
    ),
    Known(
        "Mosquitto",
        (0,),
        (2, 0, 22),
        "max_queued_messages 0 does not mean without a limit: give it a number",
        "https://github.com/eclipse-mosquitto/mosquitto/issues/3244",
    ),
    Known(
        "Mosquitto",
        (2, 0, 12),
        (2, 0, 23),
        "with per_listener_settings true nothing is kept for a service that is away: leave it out",
        "https://github.com/eclipse-mosquitto/mosquitto/issues/2618",
    ),
)


def known_faults(check: str, program: str, version: Version) -> list[Finding]:
    """Return a finding for each fault that a version is known for, or one that says that there is none."""
    name = f"{program} {'.'.join(map(str, version))}"
    found = [one for one in KNOWN if one.program == program and one.first <= version < one.mended]
    if not found:
        return [ok(check, f"{name} has no fault that this version of zoneledger knows of")]
    return [warning(check, f"{name}: {one.what} ({one.source})", _remedy(one)) for one in found]


def _remedy(one: Known) -> str:
    mended = ".".join(map(str, one.mended))
    return f"update it to {mended} or later; a distribution may have mended it under an older number: its change log says so"
