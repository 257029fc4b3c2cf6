"""Tells who calls, by the key, token or session that they send; begins and ends sessions; keeps the audit log."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from zoneledger.application.audit import LOGIN, LOGOUT, REFUSED, entry, tell, who_of
from zoneledger.application.audit_log import AuditLog
from zoneledger.application.keyring import KeyRow
from zoneledger.application.keys import (
    SESSION_US,
    Credential,
    caller_of,
    new_key,
    read_credential,
    revoke_key,
    right_row,
)
from zoneledger.application.ports import Store
from zoneledger.application.remembered import Remembered
from zoneledger.core.callers import EVERYONE, Caller, Scope
from zoneledger.core.errors import NotAllowed, NotAuthenticated

#: How long a key is taken as it was read: another process may have revoked it meanwhile.
REMEMBER_US = 30_000_000
MOST_REMEMBERED = 1000
#: How many keys are looked up at once: who guesses ids leaves connections to the database for others.
LOOKS = 2
#: What the root of a token's caller begins with, and that of no key.
TOKEN_ROOT = "token:"

NOTHING_SENT = "A key, a token or a session is wanted. Send a key or token as Authorization: Bearer, or log in."
NOT_KNOWN = "This key, token or session is not known."
OF_SESSION = "A session cannot begin another one; log in with a key or a token."
NO_READER = "Logging in is for the pages, which only who may read can use: ask for a key with the scope read."


@dataclass(frozen=True, slots=True)
class Known:
    """A caller, until when what was sent is good, and its root: a key's id, or TOKEN_ROOT and what signed a token."""

    caller: Caller
    ends_us: int
    root: str


@dataclass(frozen=True, slots=True)
class Session:
    """A session that has begun: `token` is to be sent, and kept nowhere else."""

    token: str
    ends_us: int
    caller: Caller


class Tokens(Protocol):
    """What checks the tokens of an identity provider."""

    async def check(self, token: str) -> Known:
        """Return who sent a token; raise NotAuthenticated where it is not right, not yet good or good no more."""

    async def vouches(self, root: str) -> bool:
        """Return whether what signed a token is still a key of the issuer."""


class Callers:
    """Who calls. `required`: nobody is let in who sends nothing; what is sent has to be right in any case.

    A process that `reads_only` begins no sessions, and writes no audit log. `run` has to run beside.
    """

    def __init__(
        self,
        store: Store,
        clock: Callable[[], int],
        tokens: Tokens | None = None,
        *,
        required: bool = False,
        reads_only: bool = False,
    ) -> None:
        self.required = required
        self._store = store
        self._clock = clock
        self._tokens = tokens
        self._log = AuditLog(store, clock, reads_only=reads_only)
        self._rows: Remembered[str, KeyRow] = Remembered(MOST_REMEMBERED)
        self._revoked = 0
        self._looks = asyncio.Semaphore(LOOKS)

    async def caller(self, credential: str | None, address: str) -> Caller:
        """Return who calls; raise NotAuthenticated, which is counted for the audit log, without the credential."""
        if credential is None and not self.required:
            return EVERYONE
        return (await self._known(credential, address)).caller

    async def _known(self, credential: str | None, address: str) -> Known:
        try:
            return await self._read(credential)
        except NotAuthenticated as refusal:
            self._log.refusals.count(address, "", str(refusal))
            raise

    async def _read(self, credential: str | None) -> Known:
        if credential is None:
            raise NotAuthenticated(NOTHING_SENT)
        parts = read_credential(credential)
        if parts is not None:
            return await self._of_key(parts)
        if self._tokens is not None and credential.count(".") == 2:
            return await self._tokens.check(credential)
        raise NotAuthenticated(NOT_KNOWN)

    async def _of_key(self, credential: Credential) -> Known:
        row = right_row(credential, await self._row(credential.id))
        if row is None:
            raise NotAuthenticated(NOT_KNOWN)
        now_us = self._clock()
        _check_good(row, now_us)
        if row.root is not None and not await self._stands(row.root, now_us):
            raise NotAuthenticated("The session is over: what it began with is good no more.")
        self._log.used(row.id, now_us)
        return Known(caller_of(row), row.expires_us, row.root or row.id)

    async def _stands(self, root: str, now_us: int) -> bool:
        """Return whether what a session began with is still good."""
        if root.startswith(TOKEN_ROOT):
            return self._tokens is not None and await self._tokens.vouches(root)
        row = await self._row(root)
        return row is not None and row.revoked_us is None and now_us < row.expires_us

    async def _row(self, id: str) -> KeyRow | None:
        now_us = self._clock()
        row = self._rows.get(id, now_us)
        if row is None:
            revoked = self._revoked
            async with self._looks, self._store.reading() as reading:
                row = await reading.key(id)
            if row is not None and revoked == self._revoked:  # else it may have been read before that
                self._rows.keep(id, row, now_us, now_us + REMEMBER_US)
        return row

    async def open_session(self, credential: str, address: str) -> Session:
        """Begin a session with the scopes and units of a key or token, which ends with it, and after 12 hours.

        Raises NotAuthenticated, NotAllowed where the key or token may not read, and StoreUnavailable where this process only reads.
        """
        known = await self._known(credential, address)
        if known.caller.origin == "session":
            self._log.refusals.count(address, who_of(known.caller), OF_SESSION)
            raise NotAuthenticated(OF_SESSION)
        if not known.caller.may(Scope.READ):
            raise NotAllowed(NO_READER)
        now_us = self._clock()
        ends_us = min(now_us + SESSION_US, known.ends_us)
        row, token = new_key("session", known.caller, now_us, ends_us, known.root)
        login = entry(now_us, LOGIN, who_of(known.caller), address, f"session {row.id}")
        async with self._store.writing() as writing:
            await writing.add_key(row)
            await writing.add_audit([login])
        tell(login)
        return Session(token, ends_us, caller_of(row))

    async def close_session(self, token: str, address: str = "") -> None:
        """End a session, at once in this process and within 30 s in others; what is none is left as it is."""
        credential = read_credential(token)
        row = right_row(credential, await self._row(credential.id)) if credential else None
        if row is None or row.kind != "session":
            return
        now_us = self._clock()
        logout = entry(now_us, LOGOUT, who_of(caller_of(row)), address, f"session {row.id}")
        async with self._store.writing() as writing:
            is_ended = await writing.revoke_key(row.id, now_us)
            if is_ended:
                await writing.add_audit([logout])
        if is_ended:
            tell(logout)
        self._forget(row.id)

    async def revoke(self, id: str, who: str, address: str) -> KeyRow:
        """Let a key be good no more, at once in this process and within 30 s in others; raise ValueError where there is none such."""
        row = await revoke_key(self._store, id, self._clock(), who, address)
        self._forget(id)
        return row

    def _forget(self, id: str) -> None:
        self._revoked += 1
        self._rows.forget(id)

    async def note(self, what: str, caller: Caller, address: str, detail: str) -> None:
        """Add an entry to the audit log, in a transaction of its own: not while another one of the caller's writes.

        `refused` is counted, an entry for each caller and address a minute. While the database is away, entries wait.
        """
        if what == REFUSED:
            self._log.refusals.count(address, who_of(caller), detail)
        else:
            await self._log.note(entry(self._clock(), what, who_of(caller), address, detail))

    async def run(self) -> None:
        """Write what is counted each minute, until cancelled."""
        await self._log.run()


def _check_good(row: KeyRow, now_us: int) -> None:
    """Raise NotAuthenticated where a key or session was revoked, or is over; only who has its secret is told so."""
    if row.revoked_us is not None:
        raise NotAuthenticated(f"The {row.kind} {row.id} was revoked.")
    if now_us >= row.expires_us:
        raise NotAuthenticated(f"The {row.kind} {row.id} has expired.")
