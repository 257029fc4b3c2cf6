"""The keyring's ports in memory, over what the memory store keeps."""

from collections.abc import Mapping, Sequence
from typing import Any

from zoneledger.application.keyring import AuditEntry, AuditRow, KeyRow, Kind


class MemoryKeyringReading:
    """Keys, sessions and the audit log as they are kept."""

    _state: Any

    async def key(self, id: str) -> KeyRow | None:
        found: KeyRow | None = self._state.keys.get(id)
        return found

    async def keys(self, kind: Kind) -> list[KeyRow]:
        own = [row for row in self._state.keys.values() if row.kind == kind]
        return sorted(own, key=lambda row: (row.created_us, row.id))

    async def audit(self, after_id: int, limit: int) -> list[AuditEntry]:
        return [one for one in self._state.audit if one.id > after_id][:limit]


class MemoryKeyringWriting:
    """What changes them."""

    _state: Any

    async def add_key(self, row: KeyRow) -> None:
        if row.id in self._state.keys:
            raise KeyError(f"{row.id} is there already")
        self._state.keys[row.id] = row

    async def revoke_key(self, id: str, at_us: int) -> bool:
        row = self._state.keys.get(id)
        if row is None or row.revoked_us is not None:
            return False
        self._state.keys[id] = row._replace(revoked_us=at_us)
        return True

    async def use_keys(self, used_us: Mapping[str, int]) -> None:
        for id, at_us in used_us.items():
            if id in self._state.keys:
                self._state.keys[id] = self._state.keys[id]._replace(used_us=at_us)

    async def forget_sessions(self, before_us: int, rows: int) -> bool:
        s = self._state
        s.keys = {id: row for id, row in s.keys.items() if row.kind == "key" or row.expires_us >= before_us}
        return True

    async def add_audit(self, rows: Sequence[AuditRow]) -> None:
        self._state.audit += [AuditEntry(self._state.next_number(), row) for row in rows]

    async def forget_audit(self, before_us: int, rows: int) -> bool:
        self._state.audit = [one for one in self._state.audit if one.row.at_us >= before_us]
        return True
