"""Values that are remembered for a short time, at most so many of them."""

from typing import Generic, TypeVar

KeyT = TypeVar("KeyT")
ValueT = TypeVar("ValueT")


class Remembered(Generic[KeyT, ValueT]):
    """Values by key, each over [since_us, until_us): a clock that is set back forgets rather than remembers for longer."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: dict[KeyT, tuple[ValueT, int, int]] = {}

    def get(self, key: KeyT, now_us: int) -> ValueT | None:
        """Return what is remembered, None where nothing is."""
        kept = self._kept.get(key)
        return kept[0] if kept is not None and kept[1] <= now_us < kept[2] else None

    def keep(self, key: KeyT, value: ValueT, since_us: int, until_us: int) -> None:
        """Remember a value; where there are too many, that which came first is forgotten."""
        self._kept.pop(key, None)
        if len(self._kept) >= self._most:
            del self._kept[next(iter(self._kept))]
        self._kept[key] = (value, since_us, until_us)

    def forget(self, key: KeyT) -> None:
        """Forget a value, where there is one."""
        self._kept.pop(key, None)

    def __len__(self) -> int:
        return len(self._kept)
