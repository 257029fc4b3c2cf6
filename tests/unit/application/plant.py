"""A small invented plant: one line with an early shift on weekdays in Lisbon, one line around the clock."""

from datetime import date, time

from zoneledger.core.plant import Cell, Line, PlannedStop, Plant, ShiftPattern, Site, Standard, Unit

EARLY = ShiftPattern(
    "early",
    time(6),
    time(14),
    "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR",
    date(2026, 1, 5),
    stops=(PlannedStop("meal", time(10), time(10, 30)),),
)
PLANT = Plant(
    (
        Site(
            "harbour",
            "Europe/Lisbon",
            (
                Line(
                    "wing-1",
                    (EARLY,),
                    (Standard("fasten", 4_000_000, date(2026, 1, 1)),),
                    (Cell("cell-1", ("1", "2")), Cell("cell-2", ("1", "2"))),
                ),
                Line("wing-2", cells=(Cell("cell-1", ("1",)),)),
            ),
        ),
    )
)


def unit(path: str) -> Unit:
    """Return a unit of the plant."""
    found = PLANT.find(path)
    assert found is not None
    return found
