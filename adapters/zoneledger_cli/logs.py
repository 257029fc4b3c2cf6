"""Writes the log as text or as JSON, a record a line, without what was sent to the service and without what is secret.

An exception is told by its type, its code and where it was raised. Its words are told only where they are ours or the system's:
those of others hold the value that they could not take.
"""

import json
import logging
import re
import traceback
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from aiomqtt import MqttError

from zoneledger.api.times import rfc3339
from zoneledger.core.errors import ZoneledgerError
from zoneledger.settings import setting

Form = Literal["text", "json"]

#: What a record may tell beside its message: `extra` of a call.
FIELDS = ("cell", "path", "method", "route", "status", "ms", "caller")
#: Exceptions whose words hold nothing that was sent.
SAYABLE = (ZoneledgerError, MqttError, OSError)
#: Passwords in URLs, the service's own keys, tokens (RFC 7519), and credentials as HTTP has them (RFC 9110, section 11.4).
_SECRETS = (
    (re.compile(r"(\w+://[^\s:/@]*):\S+@"), r"\1:***@"),
    (re.compile(r"\b(zl_[A-Za-z0-9]+)_[\w-]+"), r"\1_***"),
    (re.compile(r"\beyJ[\w-]+\.[\w-]+\.[\w-]*"), "***"),
    (re.compile(r"\b(bearer|basic)\s+[\w.~+/=-]+", re.IGNORECASE), r"\1 ***"),
)


def without_secrets(text: str) -> str:
    """Return a text in which what looks like a secret is `***`."""
    for pattern, told in _SECRETS:
        text = pattern.sub(told, text)
    return text


def _told(error: BaseException) -> str:
    """Return an exception's type, its code at the database if it has one, and its words where they may be told."""
    code = getattr(error, "sqlstate", None) or getattr(error, "sqlite_errorname", None)
    name = type(error).__qualname__ + (f" ({code})" if code else "")
    return f"{name}: {error}" if isinstance(error, SAYABLE) and str(error) else name


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    """Yield an exception after what it came from, the first cause first."""
    if error is not None:
        yield from _chain(error.__cause__ or (None if error.__suppress_context__ else error.__context__))
        for inner in getattr(error, "exceptions", ()):  # of a group
            yield from _chain(inner)
        yield error


def _message(record: logging.LogRecord) -> str:
    """Return what a record says; of asyncio's the first line: the others show what failed, with all that it holds."""
    if isinstance(record.args, tuple):
        record.args = tuple(_told(one) if isinstance(one, BaseException) else one for one in record.args)
    message = record.getMessage()
    if record.name == "asyncio":
        message = message.partition("\n")[0]
    return without_secrets("".join(one if one.isprintable() else " " for one in message))


def _exception(record: logging.LogRecord) -> str | None:
    """Return what was raised and where, None where a record tells of none."""
    if not record.exc_info or record.exc_info[1] is None:
        return None
    parts = ["".join(traceback.format_tb(one.__traceback__)) + _told(one) for one in _chain(record.exc_info[1])]
    return without_secrets("\n".join(parts))


class TextFormatter(logging.Formatter):
    """Writes a record as a line of text, and under it what was raised."""

    def format(self, record: logging.LogRecord) -> str:
        line = f"{self.formatTime(record)} {record.levelname} {record.name}: {_message(record)}"
        raised = _exception(record)
        return line if raised is None else f"{line}\n{raised}"


class JsonFormatter(logging.Formatter):
    """Writes a record as an object of JSON on a line."""

    def format(self, record: logging.LogRecord) -> str:
        told: dict[str, Any] = {
            "time": rfc3339(round(record.created * 1e6)),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": _message(record),
        }
        fields = {name: getattr(record, name) for name in FIELDS if hasattr(record, name)}
        told |= {name: without_secrets(value) if isinstance(value, str) else value for name, value in fields.items()}
        raised = _exception(record)
        return json.dumps(told if raised is None else told | {"exception": raised})


def wanted_form(environment: Mapping[str, str]) -> Form:
    """Return the form that is set, before it is known whether the settings can be: what is wrong with them is logged, too."""
    return "json" if environment.get(setting("log")) == "json" else "text"


def log_as_a_service(form: Form) -> None:
    """Log to standard error, the libraries' words too.

    Alembic's word that it looks at the schema comes with each question for readiness and is left out.
    """
    handler = logging.StreamHandler()
    handler.setFormatter(JsonFormatter() if form == "json" else TextFormatter())
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    logging.captureWarnings(form == "json")
    migrating = logging.getLogger("alembic.runtime.migration")
    migrating.addFilter(lambda record: record.getMessage().startswith("Running"))
