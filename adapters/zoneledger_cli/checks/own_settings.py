"""Checks of the service's own settings: what there cannot be, and what does not fit together or the place where it runs."""

import os
from urllib.parse import urlsplit

from zoneledger.asgi import read_plant
from zoneledger.core.errors import PlantInvalid
from zoneledger.environment import not_read
from zoneledger.settings import Settings, is_loopback, setting
from zoneledger.wording import counted
from zoneledger_cli.checks.findings import Finding, fault, ok, warning
from zoneledger_cli.checks.installation import Installation
from zoneledger_cli.starting import exposure
from zoneledger_mqtt.subscriber import EXPIRY_S

#: How long the broker keeps what waits for the service, and how long a message may be on its way at least.
BROKER_KEEPS_DAYS = EXPIRY_S // 86_400


async def own_settings(installation: Installation) -> list[Finding]:
    """Say which settings are to be mended."""
    settings = installation.settings
    findings = [warning("settings", sentence, "mend or remove it") for sentence in not_read(os.environ)]
    findings += [finding for check in (_exposure, _broker, _keeping, _plant) for finding in check(settings)]
    if findings:
        return findings
    given = counted(len(settings.model_fields_set), "setting is", "settings are")
    return [ok("settings", f"{given} given, and go together")]


def _exposure(settings: Settings) -> list[Finding]:
    found = exposure(settings)
    if found is None:
        return []
    if settings.open_to_network:
        return [warning("settings", f"{setting('open_to_network')} lets everybody in", found)]
    return [fault("settings", "the service does not start", found)]


def _broker(settings: Settings) -> list[Finding]:
    parts = urlsplit(settings.broker_url or "")
    if parts.scheme == "mqtt" and not is_loopback(parts.hostname or ""):
        said = f"what goes to and from the broker at {parts.hostname} is not encrypted, its password neither"
        return [warning("settings", said, f"let the broker speak TLS, and write mqtts:// in {setting('broker_url')}")]
    return []


def _keeping(settings: Settings) -> list[Finding]:
    days = settings.keep_messages_days
    if days is not None and days <= BROKER_KEEPS_DAYS:
        said = (
            f"messages are forgotten after {days:g} days, and the broker keeps those that wait for {BROKER_KEEPS_DAYS}"
        )
        remedy = f"what comes later than that is refused: raise {setting('keep_messages_days')}"
        return [warning("settings", said, remedy)]
    return []


def _plant(settings: Settings) -> list[Finding]:
    if settings.plant is None:
        return []
    said = "the service does not start with this plant file"
    try:
        read_plant(settings.plant)
    except PlantInvalid as error:
        return [fault("plant file", f"{said}: {place}: {told}", "mend it there") for place, told in error.errors]
    except OSError as error:
        return [fault("settings", f"{said}: {error}", f"mend {setting('plant')}, or the file's owner")]
    return []
