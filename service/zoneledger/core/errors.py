"""Errors that belong to a caller: each carries a code that the API maps to a problem."""


class ZoneledgerError(Exception):
    """An error with a stable `code` and one plain sentence."""

    code = "error"


class PlantInvalid(ZoneledgerError):
    """A plant model breaks its rules.

    `errors` names each place (such as `sites/0/lines/1/shifts/0/repeats`) and what would be right.
    """

    code = "plant_invalid"

    def __init__(self, errors: list[tuple[str, str]]) -> None:
        super().__init__("; ".join(f"{place}: {message}" for place, message in errors))
        self.errors = errors


class UnitUnknown(ZoneledgerError):
    """No unit of the plant model has this path."""

    code = "unit_unknown"


class ShiftUnknown(ZoneledgerError):
    """The line has no such shift on that date."""

    code = "shift_unknown"


class WindowInvalid(ZoneledgerError):
    """A window is incomplete, reversed, too long or of a kind that this unit does not have."""

    code = "window_invalid"


class LevelWrong(ZoneledgerError):
    """A unit is of a level that the call has no meaning for."""

    code = "level_wrong"


class ReasonUnknown(ZoneledgerError):
    """The site declares no such reason for people to give."""

    code = "reason_unknown"


class RoleUnknown(ZoneledgerError):
    """The site declares no such role that may give reasons."""

    code = "role_unknown"


class EntryUnknown(ZoneledgerError):
    """No entry about a given reason has this number."""

    code = "entry_unknown"


class AlreadyUndone(ZoneledgerError):
    """The entry that is to be undone counts no more as it is."""

    code = "already_undone"


class ProofUnknown(ZoneledgerError):
    """No acceptance run has this number."""

    code = "proof_unknown"


class ProofNotOver(ZoneledgerError):
    """An acceptance run is not over, or not frozen, as the call needs it."""

    code = "proof_not_over"


class NotAuthenticated(ZoneledgerError):
    """Nothing tells who calls, or what tells it is not right, over or withdrawn."""

    code = "not_authenticated"


class NotAllowed(ZoneledgerError):
    """Who calls is known, and may not do this or does not reach this unit."""

    code = "not_allowed"


class TooOften(ZoneledgerError):
    """A caller asks, or an address guesses, too often; `retry_after_s` is when the next call will be heard."""

    code = "too_often"

    def __init__(self, message: str, retry_after_s: int) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class StoreUnavailable(ZoneledgerError):
    """The database does not answer now; the same call may be made again later."""

    code = "store_unavailable"


class SchemaMismatch(ZoneledgerError):
    """The database's schema is not the one this program was made for."""

    code = "schema_mismatch"
