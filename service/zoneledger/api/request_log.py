"""Logs each request once it is answered: its method and route, the status, how long it took and who called; never what it held."""

import logging
import time
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger(__name__)


class RequestLog:
    """Stands before an application, and logs what it answers."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, and log it at its end, whatever that is."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began_s, status = time.monotonic(), None

        async def note(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self._app(scope, receive, note)
        except Exception:
            status = status or 500  # so it is answered by what stands around this
            raise
        finally:
            _log(scope, status, round((time.monotonic() - began_s) * 1000, 1))


def _log(scope: Scope, status: int | None, ms: float) -> None:
    route, entrance = getattr(scope.get("route"), "path", None), scope.get("state", {}).get("entrance")
    told: dict[str, Any] = {
        "method": scope["method"],
        # The template, and never the path: that may hold anything.
        "route": None if route is None else route.replace(":path", ""),
        "status": status,
        "ms": ms,
        "caller": None if entrance is None else entrance.caller.name,
    }
    log.info(
        "%s %s %s in %s ms, caller %s",
        told["method"],
        told["route"] or "no route",
        status or "no answer",
        ms,
        told["caller"] or "not known",
        extra=told,
    )
