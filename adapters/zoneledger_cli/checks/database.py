"""Checks of the database: its version, schema, settings, room and clock."""

from urllib.parse import urlsplit

from zoneledger.application.accept import AHEAD_US
from zoneledger.bootstrap import ASIDE_AT_ONCE
from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import StoreUnavailable
from zoneledger.settings import Settings, is_loopback
from zoneledger.storage import engines
from zoneledger.storage.examining import DatabaseFacts
from zoneledger_cli.checks.findings import Finding, fault, not_known, ok, warning
from zoneledger_cli.checks.installation import Installation
from zoneledger_cli.checks.known_faults import known_faults
from zoneledger_cli.checks.machine import file_system_of, tell_bytes

#: What one process takes at most.
CONNECTIONS = engines.WRITERS + engines.READERS + engines.LOOKS + ASIDE_AT_ONCE
#: A clock that differs by more is told; by more than AHEAD_US messages are refused as ahead of it.
CLOCK_S = 1.0
#: File systems over a network, or over another system's files: their locks, or their syncs, do not hold what SQLite asks of them.
SHARED = ("nfs", "cifs", "smb", "9p", "fuse", "afs", "ceph", "gluster", "vboxsf", "drvfs")
#: Below so many days of growth, and so many bytes, there is soon no room.
FEW_DAYS, FEW_BYTES = 30, 1_000_000_000
#: What PostgreSQL's settings should be: each with what another value costs.
WANTED = {
    "fsync": ("on", "a crash of its machine may damage the whole database"),
    "full_page_writes": ("on", "a crash of its machine may damage pages that were half written"),
    "autovacuum": (
        "on",
        "what is forgotten or replaced is never given free, and it ends when its transaction numbers run out",
    ),
    "server_encoding": ("UTF8", "texts of messages cannot be kept"),
}
Findings = list[Finding]


async def database(installation: Installation) -> Findings:
    """Ask the database, and say what is to be said of it."""
    settings = installation.settings
    try:
        facts = await installation.facts()
    except StoreUnavailable as error:
        return [_unavailable(settings, error)]
    checks = [_schema, _versions, _room]
    checks += (
        [_sqlite] if facts.kind == "sqlite" else [_postgresql, _limits, _connections, _encryption, _archive, _clock]
    )
    return [finding for check in checks for finding in check(facts, settings)]


def _unavailable(settings: Settings, error: StoreUnavailable) -> Finding:
    if isinstance(error, engines.DatabaseMissing) and not settings.reads_only:
        return warning(
            "database", str(error), "the first start of zoneledger serve makes it; if there was one, look for it"
        )
    if settings.database_url.startswith("sqlite"):
        remedy = "look at the file and its folder; where it is damaged, keep it, and restore the last backup (docs/backup.md)"
        return fault("database", str(error), remedy)
    return fault("database", str(error), "start it, or mend the address, the account or the way to it")


def _schema(facts: DatabaseFacts, settings: Settings) -> Findings:
    found = f"{engines.place_of(settings.database_url)} answers"
    if facts.schema == facts.wanted:
        return [ok("database", f"{found}, with schema {facts.schema} as this version has it")]
    if facts.schema is None:
        return [warning("database", f"{found}, and is empty", "the first start of zoneledger serve makes the tables")]
    if facts.wanted is not None and facts.schema > facts.wanted:
        said = f"{found}, with schema {facts.schema}, which is newer than this version's {facts.wanted}"
        return [fault("database", said, "run the version that wrote it")]
    said = f"{found}, with schema {facts.schema}, which is older than this version's {facts.wanted}"
    return [warning("database", said, "the next start of zoneledger serve migrates it: take a backup first")]


def _versions(facts: DatabaseFacts, _: Settings) -> Findings:
    program = "SQLite" if facts.kind == "sqlite" else "PostgreSQL"
    return known_faults("database version", program, facts.version[:3])


def _room(facts: DatabaseFacts, _: Settings) -> Findings:
    kept_days = 0.0 if facts.since_us is None else max(now_us() - facts.since_us, 0) / DAY_US
    daily = facts.room.taken / kept_days if kept_days >= 1 else None
    said = f"it takes {tell_bytes(facts.room.taken)} for {facts.messages:,} messages"
    said += "" if daily is None else f", {tell_bytes(round(daily))} a day"
    if facts.room.left is None:
        return [ok("database size", f"{said}; how much room its machine has left is not seen from here")]
    said += f", and {tell_bytes(facts.room.left)} are left on its disk"
    is_short = facts.room.left < FEW_BYTES or (daily is not None and facts.room.left < FEW_DAYS * daily)
    remedy = "make room, or let messages be forgotten by ZONELEDGER_KEEP_MESSAGES_DAYS"
    return [warning("database size", said, remedy) if is_short else ok("database size", said)]


def _sqlite(facts: DatabaseFacts, _: Settings) -> Findings:
    findings = []
    if facts.settings["journal_mode"] == "wal":
        said = "it has a write-ahead log, and the service syncs it in full at each commit"
        findings.append(ok("database settings", said))
    else:
        said = f"its journal is {facts.settings['journal_mode']} and no write-ahead log"
        findings.append(warning("database settings", said, "the next start of zoneledger serve sets that"))
    system = file_system_of(facts.file) if facts.file else None
    if system is None:
        findings.append(not_known("database disk", "on which file system its file lies cannot be told here"))
    elif system.startswith(SHARED):
        said = f"its file lies on {system}, where locks or syncs may not hold"
        findings.append(fault("database disk", said, "move it to a disk of this machine"))
    else:
        findings.append(ok("database disk", f"its file lies on {system}"))
    return findings


def _postgresql(facts: DatabaseFacts, settings: Settings) -> Findings:
    told, findings = facts.settings, []
    for name, (wanted, cost) in WANTED.items():
        if told.get(name) != wanted:
            findings.append(
                fault("database settings", f"{name} is {told.get(name)}: {cost}", f"set {name} to {wanted}")
            )
    if told.get("synchronous_commit") == "off":
        said = "synchronous_commit is off: what was acknowledged last is lost when the server crashes"
        findings.append(
            fault("database settings", said, "set synchronous_commit to on, for the service's account at least")
        )
    if told.get("TimeZone") != "UTC":
        said = f"a session of the service has the time zone {told.get('TimeZone')}, though it asks for UTC"
        findings.append(
            warning("database settings", said, "let nothing between the two leave out what a session asks for")
        )
    if told.get("transaction_read_only") == "on" and not settings.reads_only:
        said = "the server only reads, as a standby does"
        findings.append(fault("database settings", said, "name the first server, or set ZONELEDGER_READS_ONLY"))
    if not findings:
        said = f"fsync and full_page_writes are on, synchronous_commit is {told.get('synchronous_commit')}"
        findings.append(ok("database settings", said))
    if told.get("data_checksums") != "on":
        said = "data_checksums is off: a disk that returns something else is noticed late"
        findings.append(warning("database settings", said, "pg_checksums --enable while the server is stopped"))
    return findings


def _limits(facts: DatabaseFacts, _: Settings) -> Findings:
    """Say where the server ends statements before the service would."""
    findings = []
    for name in ("statement_timeout", "lock_timeout", "transaction_timeout"):
        longest_ms = int(facts.settings.get(name) or 0)
        if 0 < longest_ms < engines.READ_S * 1000:
            said = f"{name} is {longest_ms} ms, and the service waits for up to {engines.READ_S:g} s"
            findings.append(warning("database time-outs", said, f"set {name} to 0 for the service's account"))
    return findings or [ok("database time-outs", "the server ends no statement before the service does")]


def _connections(facts: DatabaseFacts, _: Settings) -> Findings:
    told, used = facts.settings, facts.connections or 0
    most = int(told.get("max_connections") or 0)
    kept = int(told.get("superuser_reserved_connections") or 0) + int(told.get("reserved_connections") or 0)
    said = f"{used} of {most} connections are in use, {kept} of them are kept for others, and each process takes up to {CONNECTIONS}"
    if most - kept - used < CONNECTIONS:
        return [warning("database connections", said, "raise max_connections, or run fewer processes on it")]
    return [ok("database connections", said)]


def _encryption(facts: DatabaseFacts, settings: Settings) -> Findings:
    host = urlsplit(settings.database_url).hostname or "localhost"
    if facts.encrypted or is_loopback(host):
        return [ok("database encryption", "nobody else reads what is sent to it")]
    said = f"what is sent to {host} is not encrypted, the account's password at its log-in perhaps neither"
    return [warning("database encryption", said, "let the server speak TLS (ssl = on)")]


def _archive(facts: DatabaseFacts, _: Settings) -> Findings:
    if facts.archiving_fails:
        said = "the server could not archive its log when it last tried: it keeps the log until its disk is full"
        return [fault("database archive", said, "look at the server's log, and mend archive_command")]
    if facts.settings.get("archive_mode") == "off":
        said = "the server archives no log: what came after the last backup is lost with it"
        return [warning("database archive", said, "docs/backup.md says how nothing is lost")]
    return [ok("database archive", "the server archives its log")]


def _clock(facts: DatabaseFacts, _: Settings) -> Findings:
    ahead_s = (facts.clock_ahead_us or 0) / 1e6
    said = f"the database's clock is {abs(ahead_s):.3f} s {'ahead of' if ahead_s > 0 else 'behind'} this machine's"
    if abs(ahead_s) < CLOCK_S:
        return [ok("clock", said)]
    remedy = "set both by the network"
    return [fault("clock", said, remedy) if abs(ahead_s) >= AHEAD_US / 1e6 else warning("clock", said, remedy)]
