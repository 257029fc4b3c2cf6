"""A check of the service itself: whether it answers where the settings say, and what it says of its readiness."""

import httpx

from zoneledger.settings import Settings
from zoneledger_cli.checks.findings import Finding, fault, not_known, ok
from zoneledger_cli.checks.installation import Installation

ANSWER_S = 10.0


def address_of(settings: Settings) -> str:
    """Return where the service answers on this machine."""
    # Only compared with, and nothing listens there.
    host = {"0.0.0.0": "127.0.0.1", "": "127.0.0.1", "::": "::1"}.get(settings.host, settings.host)  # nosec B104
    return f"http://{f'[{host}]' if ':' in host else host}:{settings.port}"


async def service(installation: Installation) -> list[Finding]:
    """Ask the service on this machine whether it is ready."""
    url = address_of(installation.settings)
    try:
        async with httpx.AsyncClient(timeout=ANSWER_S, trust_env=False) as client:
            answer = await client.get(f"{url}/health/ready")
            told = answer.json()
    except httpx.TransportError:
        return [not_known("service", f"nothing answers on {url}: the service does not run here now")]
    except ValueError:
        told = None
    if not isinstance(told, dict) or not {"ready", "code"} & told.keys():
        return [fault("service", f"what answers on {url} is no Zoneledger", "end it, or name another ZONELEDGER_PORT")]
    if told.get("ready"):
        return [ok("service", f"the service on {url} is ready")]
    reasons = [f"{one['place']}: {one['detail']}" for one in told.get("errors") or ()]
    return [fault("service", f"the service on {url} is not ready", "; ".join(reasons) or str(told.get("detail")))]
