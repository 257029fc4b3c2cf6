"""Checks of the broker: by connecting, publishing and counting what comes back, as nothing else tells what it is set to."""

import re
from pathlib import Path

from aiomqtt import MqttError

from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger.settings import Settings
from zoneledger_cli.checks.findings import Finding, fault, not_known, ok, warning
from zoneledger_cli.checks.installation import Installation
from zoneledger_cli.checks.known_faults import known_faults
from zoneledger_cli.serving import broker_of
from zoneledger_mqtt.announcements import EXAMPLE_ROOT, OwnTopics
from zoneledger_mqtt.connection import BrokerAddress
from zoneledger_mqtt.probing import MESSAGES, Probed, probe
from zoneledger_mqtt.subscriber import EXPIRY_S

#: A certificate that ends within so many days is told, and within the second it is a fault.
SOON_DAYS, NOW_DAYS = 30, 3
#: What a packet has beside its payload: a topic, and properties.
BESIDE_BYTES = 4096


async def broker(installation: Installation) -> list[Finding]:
    """Try the broker with the service's account, on topics and with sessions of the check's own."""
    settings = installation.settings
    try:
        address = broker_of(settings)
        root = OwnTopics(settings.publish_root or EXAMPLE_ROOT, settings.topic_root).root
    except ValueError as error:
        return [fault("broker", str(error), "mend that setting")]
    if address is None:
        return [not_known("broker", "no broker is set: messages come by HTTP only")]
    try:
        found = await probe(address, settings.client_id, root)
    except MqttError as error:
        return [fault("broker", f"broker {address}: {error}", _remedy(settings)), *_certificates(address)]
    checks = (
        _connected(address, found),
        _version(found),
        _queue(found, settings, root),
        _large(found),
        _promises(found),
    )
    return [*(finding for check in checks for finding in check), *_certificates(address)]


def _remedy(settings: Settings) -> str:
    return f"see that it runs, that it can be reached from here, and that it lets in {settings.client_id}-doctor-* with this account"


def _connected(address: BrokerAddress, found: Probed) -> list[Finding]:
    told = f"broker {address} lets the service's account in, with MQTT {found.protocol}"
    if found.protocol == "5":
        return [ok("broker", told)]
    remedy = "a broker with MQTT 5 lets the service bound what is on its way, and keeps its session for 7 days"
    return [warning("broker", told, remedy)]


def _version(found: Probed) -> list[Finding]:
    told = re.fullmatch(r"mosquitto version (\d+)\.(\d+)\.(\d+).*", found.version or "")
    if told is None:
        said = (
            f"the broker says {found.version!r}"
            if found.version
            else "the broker does not tell its version to this account"
        )
        return [not_known("broker version", f"{said}: look for it there")]
    return known_faults("broker version", "Mosquitto", tuple(int(part) for part in told.groups()))


def _queue(found: Probed, settings: Settings, root: str) -> list[Finding]:
    """Say whether the broker keeps what comes while a session is away."""
    if not found.heard:
        why = f", and says: {found.refusal}" if found.refusal else ""
        said = f"what is published below {root} does not come back{why}: whether the broker keeps messages could not be counted"
        remedy = f"let the account read and write {root}/{settings.client_id}-doctor-*/#, for as long as this check takes at least"
        return [not_known("broker queue", said, remedy)]
    told = f"of {found.acknowledged:,} messages that came while a session was away the broker kept {found.kept:,}"
    findings = [ok("broker queue", told)]
    if found.acknowledged < MESSAGES:
        said = (
            f"the broker refused {MESSAGES - found.acknowledged:,} of {MESSAGES:,} messages for a session that was away"
        )
        findings = [fault("broker queue", f"{said}, and says: {found.refusal}", _QUEUE_REMEDY)]
    elif found.kept < found.acknowledged:
        lost = f"{found.acknowledged - found.kept:,} are lost, though it acknowledged them"
        findings = [fault("broker queue", f"{told}: {lost}", _QUEUE_REMEDY)]
    if not found.retained:
        said = "the broker does not keep retained messages: nobody knows of a link that was told before"
        findings.append(fault("broker retained", said, "let it keep them (retain_available true)"))
    return findings


_QUEUE_REMEDY = (
    "set max_queued_messages as deploy/mosquitto.conf has it, and persistence, which cannot be seen from here"
)


def _large(found: Probed) -> list[Finding]:
    told = f"a payload of {MAX_PAYLOAD_BYTES // 1024} KiB, the most that the contract allows,"
    if not found.heard:
        return []
    if found.large:
        return [ok("broker packet", f"{told} comes through")]
    return [fault("broker packet", f"{told} does not come through", "set max_packet_size to 1100000")]


def _promises(found: Probed) -> list[Finding]:
    """Say what the broker tells of its limits when it lets a client in."""
    findings = []
    largest = found.promises.get("MaximumPacketSize")
    if largest is not None and largest < MAX_PAYLOAD_BYTES + BESIDE_BYTES:
        said = f"the broker takes packets of {largest:,} bytes at most"
        findings.append(fault("broker packet", said, "set max_packet_size to 1100000"))
    if found.promises.get("MaximumQoS", 2) < 1:
        findings.append(fault("broker", "the broker delivers without acknowledgement only", "let it take QoS 1"))
    keeps_s = found.promises.get("SessionExpiryInterval", EXPIRY_S)
    if keeps_s < EXPIRY_S:
        said = f"the broker keeps a session that is away for {keeps_s / 3600:,.1f} hours, and not for {EXPIRY_S // 86_400} days"
        findings.append(warning("broker queue", said, "let it keep sessions for longer (persistent_client_expiration)"))
    return findings


def _certificates(address: BrokerAddress) -> list[Finding]:
    """Say how long the certificates last that both sides show, and whether others can read what is secret."""
    shown, files = address.credentials.last, address.files
    ends = {"the broker's certificate": address.credentials.broker_ends_us}
    if shown is not None:
        ends |= {f"our certificate in {files.certificate}": shown.certificate_ends_us}
        ends |= {f"the authority in {files.ca}": shown.ca_ends_us}
    findings = [_lasts(name, ends_us) for name, ends_us in ends.items() if ends_us is not None]
    return [*findings, *_readable(files.key), *_readable(files.password)]


def _lasts(name: str, ends_us: int) -> Finding:
    days = (ends_us - now_us()) / DAY_US
    said = f"{name} ends in {days:,.0f} days" if days >= 0 else f"{name} ended {-days:,.0f} days ago"
    if days >= SOON_DAYS:
        return ok("certificates", said)
    remedy = "put a new one in its place: the files are read anew by themselves"
    return fault("certificates", said, remedy) if days < NOW_DAYS else warning("certificates", said, remedy)


def _readable(path: Path | None) -> list[Finding]:
    """Say where others on this machine can read what is secret."""
    if path is None or not path.exists() or not path.stat().st_mode & 0o077:
        return []
    return [warning("certificates", f"others on this machine can read {path}", "chmod go= it")]
