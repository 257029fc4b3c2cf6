"""Keys and sessions: made once, looked up by their id, held against the SHA-256 of their secret, and revoked."""

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from hashlib import sha256
from hmac import compare_digest
from secrets import token_hex, token_urlsafe
from typing import NamedTuple

from zoneledger.application.audit import KEY, entry, tell
from zoneledger.application.keyring import KeyRow, Kind
from zoneledger.application.ports import Store
from zoneledger.core.calendar import DAY_US
from zoneledger.core.callers import Caller, Scope, is_unit_path

#: How long a key is good unless told, and at most, in days.
KEY_DAYS, MOST_DAYS = 365, 3650
SESSION_US = DAY_US // 2
LONGEST_NAME, MOST_UNITS = 60, 100

#: 6 random bytes in hexadecimal, which are no secret, and 32 in base64 (RFC 4648 section 5), which are.
_SHAPE = re.compile(r"zl_([0-9a-f]{12})_([A-Za-z0-9_-]{43})", re.ASCII)


class Credential(NamedTuple):
    """A key or session as it was sent."""

    id: str
    secret: str


def read_credential(text: str) -> Credential | None:
    """Return the parts of a text that has the shape of a key or session, None of another."""
    found = _SHAPE.fullmatch(text)
    return Credential(*found.groups()) if found else None


def digest_of(secret: str) -> str:
    """Return what is kept of a secret: it has 256 random bits, so that a slow hash would add nothing."""
    return sha256(secret.encode()).hexdigest()


#: What a secret is held against where nobody has its id, so that the answer takes as long.
_NOBODYS = digest_of("")


def right_row(credential: Credential, row: KeyRow | None) -> KeyRow | None:
    """Return the row of a credential's id if its secret is right, compared in constant time; else None."""
    return row if compare_digest(digest_of(credential.secret), _NOBODYS if row is None else row.digest) else None


@lru_cache(maxsize=1024)
def caller_of(row: KeyRow) -> Caller:
    """Return who calls with a key or session."""
    units = None if row.units is None else tuple(row.units.split())
    return Caller(row.name, frozenset(map(Scope, row.scopes.split())), units, row.kind)


def new_key(kind: Kind, caller: Caller, now_us: int, expires_us: int, root: str | None = None) -> tuple[KeyRow, str]:
    """Return the row of a new key or session with a caller's name, scopes and units, and the text that is to be sent."""
    id, secret = token_hex(6), token_urlsafe(32)
    scopes = " ".join(scope for scope in Scope if scope in caller.scopes)
    units = None if caller.units is None else " ".join(caller.units)
    row = KeyRow(id, kind, caller.name, digest_of(secret), scopes, units, now_us, expires_us, root)
    return row, f"zl_{id}_{secret}"


def bearer_of_key(name: str, scopes: Iterable[Scope], units: Sequence[str]) -> Caller:
    """Return who is to have a key, for all units where none is named; raise ValueError where there cannot be such a key."""
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable() or name != name.strip():
        raise ValueError(f"a key's name should have 1 to {LONGEST_NAME} characters that can be printed")
    wanted = frozenset(scopes)
    if not wanted:
        raise ValueError(f"a key should have a scope: {', '.join(Scope)}")
    wrong = [unit for unit in units if not is_unit_path(unit)]
    if wrong:
        raise ValueError(f"a unit should be the path of a site, line or cell, such as harbour/wing-1, not {wrong[0]!r}")
    if len(units) > MOST_UNITS:
        raise ValueError(f"a key should be for at most {MOST_UNITS} units: name what they lie below")
    return Caller(name, wanted, tuple(dict.fromkeys(units)) or None, "key")


def told(row: KeyRow) -> str:
    """Return what a key may do, in words."""
    units = "all units" if row.units is None else row.units.replace(" ", ", ") or "no unit"
    return f"{row.scopes.replace(' ', ', ')} over {units}"


async def create_key(
    store: Store, bearer: Caller, days: int, now_us: int, who: str, address: str
) -> tuple[KeyRow, str]:
    """Keep a new key that is good for so many days; return its row, and the key itself, which is nowhere kept."""
    row, text = new_key("key", bearer, now_us, now_us + days * DAY_US)
    created = entry(now_us, KEY, who, address, f"created {row.id} for {row.name}: {told(row)}, for {days} days")
    async with store.writing() as writing:
        await writing.add_key(row)
        await writing.add_audit([created])
    tell(created)
    return row, text


async def revoke_key(store: Store, id: str, now_us: int, who: str, address: str) -> KeyRow:
    """Let a key be good no more, and every session that began with it; return its row. Raises ValueError where there is no such key.

    Of one that is revoked already nothing changes.
    """
    async with store.writing() as writing:
        row = await writing.key(id)
        if row is None:
            raise ValueError(f"there is no key {id!r}; `zoneledger key list` names those that there are")
        revoked = entry(now_us, KEY, who, address, f"revoked {id} of {row.name}")
        is_new = await writing.revoke_key(id, now_us)
        if is_new:
            await writing.add_audit([revoked])
    if is_new:
        tell(revoked)
    return row
