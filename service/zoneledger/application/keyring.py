"""What is kept of keys, sessions and the audit log, and what the use cases need of a store for that."""

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple, Protocol

Kind = Literal["key", "session"]


class KeyRow(NamedTuple):
    """A key or a session: never its secret, only the SHA-256 of that, in hexadecimal.

    `scopes` are words and `units` paths, with a space between; units None: all. A session's `root` is the key's id, or what signed
    the token, that it began with.
    """

    id: str
    kind: Kind
    name: str
    digest: str
    scopes: str
    units: str | None
    created_us: int
    expires_us: int
    root: str | None = None
    revoked_us: int | None = None
    used_us: int | None = None


class AuditRow(NamedTuple):
    """An entry of the audit log: what was done, by whom, from which address."""

    at_us: int
    what: str
    who: str
    address: str
    detail: str


class AuditEntry(NamedTuple):
    """An entry of the audit log with its number, which the next page begins after."""

    id: int
    row: AuditRow


class KeyringReading(Protocol):
    """A part of Reading."""

    async def key(self, id: str) -> KeyRow | None:
        """Return the key or session of an id, revoked or over as it may be; None where there is none."""

    async def keys(self, kind: Kind) -> list[KeyRow]:
        """Return all keys or all sessions, in the order in which they were made."""

    async def audit(self, after_id: int, limit: int) -> list[AuditEntry]:
        """Return the first entries of the audit log after a number."""


class KeyringWriting(Protocol):
    """A part of Writing."""

    async def add_key(self, row: KeyRow) -> None:
        """Keep a new key or session."""

    async def revoke_key(self, id: str, at_us: int) -> bool:
        """Let a key or session be good no more; return whether it was there, and not revoked before."""

    async def use_keys(self, used_us: Mapping[str, int]) -> None:
        """Keep when keys and sessions were last used, by id."""

    async def forget_sessions(self, before_us: int, rows: int) -> bool:
        """Remove at most so many sessions that were over before then; return whether none is left."""

    async def add_audit(self, rows: Sequence[AuditRow]) -> None:
        """Add entries to the audit log."""

    async def forget_audit(self, before_us: int, rows: int) -> bool:
        """Remove at most so many entries of the audit log from before then; return whether none is left."""
