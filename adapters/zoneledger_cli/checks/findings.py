"""What a check finds: whether something is well, in a sentence, and what to do where it is not."""

from enum import StrEnum
from typing import NamedTuple


class Grade(StrEnum):
    """How it is with what was looked into."""

    OK = "ok"
    WARNING = "warning"
    FAULT = "fault"
    NOT_KNOWN = "not known"


class Finding(NamedTuple):
    """One line: what was looked into, how it is, and what to do; sentences without their stops."""

    check: str
    grade: Grade
    text: str
    remedy: str = ""


def ok(check: str, text: str) -> Finding:
    """Return that something is well."""
    return Finding(check, Grade.OK, text)


def warning(check: str, text: str, remedy: str) -> Finding:
    """Return that something is likely to cost something one day."""
    return Finding(check, Grade.WARNING, text, remedy)


def fault(check: str, text: str, remedy: str) -> Finding:
    """Return that something hinders the service, or may lose what was promised."""
    return Finding(check, Grade.FAULT, text, remedy)


def not_known(check: str, text: str, remedy: str = "") -> Finding:
    """Return that something cannot be seen from here."""
    return Finding(check, Grade.NOT_KNOWN, text, remedy)
