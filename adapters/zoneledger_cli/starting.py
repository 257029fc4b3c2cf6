"""The rule of starting: a service that others can reach asks who they are, over a way that is encrypted, or does not start."""

import logging

from zoneledger.settings import Settings, is_loopback, setting

log = logging.getLogger(__name__)


def exposure(settings: Settings) -> str | None:
    """Return who could use the service, or read what is sent, that should not, and what to set; None where nobody could."""
    if settings.is_local:
        return None
    missing = []
    if not settings.authenticate:
        missing.append(f"{setting('authenticate')}=true, so that it asks who they are")
    if settings.proxy is None:
        missing.append(f"{setting('proxy')} to the address of the proxy before it that encrypts")
    if not missing:
        return None
    place = f"by the proxy {settings.proxy}" if is_loopback(settings.host) else f"at {settings.host or 'every address'}"
    return f"others can reach the service {place}: set {', and '.join(missing)}"


def check_start(settings: Settings) -> None:
    """Raise ValueError, in plain words, where the service would be open to others; say it loudly where that is meant."""
    found = exposure(settings)
    if found is None:
        return
    if not settings.open_to_network:
        instead = (
            f"or listen on 127.0.0.1 without a proxy, or set {setting('open_to_network')}=true (--open-to-network)"
        )
        raise ValueError(f"the service does not start, as {found}; {instead} to let everybody in who reaches it")
    log.warning("OPEN TO THE NETWORK, as %s=true has it: %s", setting("open_to_network"), found)
