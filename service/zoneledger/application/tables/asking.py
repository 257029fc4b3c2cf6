"""Which rows of which table are asked for: the units, and the window of each."""

from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.tables.columns import Part, Table
from zoneledger.application.tables.figures import FIGURE_TABLES
from zoneledger.application.tables.ledger import LEDGER_TABLES
from zoneledger.application.tables.lists import LIST_TABLES
from zoneledger.application.windows import Asked, window_of
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit

TABLES: dict[str, Table] = {table.name: table for table in (*LEDGER_TABLES, *FIGURE_TABLES, *LIST_TABLES)}


def parts_of(table: Table, declared: DeclaredPlant, unit: Unit | None, asked: Asked, now_us: int) -> list[Part]:
    """Return what is asked of a unit, or of every site; raise WindowInvalid or ShiftUnknown, saying what would be right."""
    if asked == Asked():
        if table.needs_window:
            raise WindowInvalid(
                f"The table {table.name} needs a window: start and end, or shift (such as 2026-11-25/early), or day (2026-11-25)."
            )
        return [Part(one, None) for one in _tops(declared, unit)]
    return [Part(one, window_of(one, asked, now_us)) for one in _tops(declared, unit)]


def _tops(declared: DeclaredPlant, unit: Unit | None) -> list[Unit]:
    return [unit] if unit is not None else [one for one in declared.plant if one.level == "site"]
