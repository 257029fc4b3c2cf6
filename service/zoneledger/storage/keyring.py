"""Keys, sessions and the audit log: a key is never changed but for its end and its last use, an entry never at all."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Row, bindparam, insert, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.keyring import AuditEntry, AuditRow, KeyRow, Kind
from zoneledger.storage import tables as t
from zoneledger.storage.bulk import delete_some

_k, _a = t.keys.c, t.audit.c
_KEY_COLUMNS = [_k[name] for name in KeyRow._fields]
_AUDIT_COLUMNS = [_a[name] for name in ("id", *AuditRow._fields)]


class SqlKeyringReading:
    """The KeyringReading port on one connection."""

    _connection: AsyncConnection

    async def key(self, id: str) -> KeyRow | None:
        row = (await self._connection.execute(select(*_KEY_COLUMNS).where(_k.id == id))).first()
        return KeyRow._make(row) if row else None

    async def keys(self, kind: Kind) -> list[KeyRow]:
        query = select(*_KEY_COLUMNS).where(_k.kind == kind).order_by(_k.created_us, _k.id)
        return [KeyRow._make(row) for row in (await self._connection.execute(query)).all()]

    async def audit(self, after_id: int, limit: int) -> list[AuditEntry]:
        query = select(*_AUDIT_COLUMNS).where(_a.id > after_id).order_by(_a.id).limit(limit)
        return [_entry(row) for row in (await self._connection.execute(query)).all()]


def _entry(row: Row[Any]) -> AuditEntry:
    return AuditEntry(row.id, AuditRow._make(tuple(row)[1:]))


class SqlKeyringWriting:
    """The KeyringWriting port on one connection."""

    _connection: AsyncConnection

    async def add_key(self, row: KeyRow) -> None:
        await self._connection.execute(insert(t.keys).values(row._asdict()))

    async def revoke_key(self, id: str, at_us: int) -> bool:
        query = update(t.keys).where(_k.id == id, _k.revoked_us.is_(None)).values(revoked_us=at_us)
        return (await self._connection.execute(query)).rowcount == 1

    async def use_keys(self, used_us: Mapping[str, int]) -> None:
        if used_us:
            query = update(t.keys).where(_k.id == bindparam("key")).values(used_us=bindparam("at_us"))
            # In one order, so that two processes that write at once wait for each other and do not lock each other out.
            await self._connection.execute(query, [{"key": id, "at_us": us} for id, us in sorted(used_us.items())])

    async def forget_sessions(self, before_us: int, rows: int) -> bool:
        over = (_k.kind == "session") & (_k.expires_us < before_us)
        return await delete_some(self._connection, t.keys, over, rows)

    async def add_audit(self, rows: Sequence[AuditRow]) -> None:
        if rows:
            await self._connection.execute(insert(t.audit), [row._asdict() for row in rows])

    async def forget_audit(self, before_us: int, rows: int) -> bool:
        return await delete_some(self._connection, t.audit, _a.at_us < before_us, rows)
