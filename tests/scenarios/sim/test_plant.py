"""The plant document that goes with a scenario."""

from dataclasses import replace

import pytest

from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.durations import Fixed
from zoneledger_sim.plan import AlarmPlan, Program, Step
from zoneledger_sim.plant import plant_document
from zoneledger_sim.simulation import Simulation, messages

START_US = 1_795_586_400_000_000


def test_the_document_names_all_cells_zones_and_a_standard_for_every_fastener() -> None:
    scenario = demo_scenario(cells=3, zones=2)
    document = plant_document(scenario)
    (site,) = document["sites"]
    (line,) = site["lines"]
    assert (site["site"], site["timezone"], line["line"]) == ("harbour", "Europe/Lisbon", "wing-1")
    assert line["cells"] == [{"cell": f"cell-{number}", "zones": ["1", "2"]} for number in (1, 2, 3)]
    rated = {(each["operation"], each.get("item"), each["program"]) for each in line["standards"]}
    sent = messages(Simulation(scenario, START_US), START_US + 2 * 3_600_000_000)
    made = {(m["operation"], m.get("item"), m["program"]) for _, m in sent if m["type"] == "fastener"}
    assert made
    assert made <= rated


def test_shifts_cover_the_day_and_carry_their_meals() -> None:
    (site,) = plant_document(demo_scenario())["sites"]
    shifts = site["lines"][0]["shifts"]
    assert [(each["shift"], each["starts"], each["ends"]) for each in shifts] == [
        ("early", "06:00", "14:00"),
        ("late", "14:00", "22:00"),
        ("night", "22:00", "06:00"),
    ]
    assert shifts[0]["stops"] == [{"stop": "meal", "starts": "10:00", "ends": "10:30"}]


def test_two_standards_for_one_fastener_are_an_error() -> None:
    scenario = demo_scenario(cells=1)
    odd = Program("skin-left", (Step("fasten", 1, Fixed(1), item="lb-6", standard_s=9.0),))
    other = replace(scenario.cells[0], cell="cell-9", programs=(odd,))
    with pytest.raises(ValueError, match="two standards"):
        plant_document(replace(scenario, cells=(*scenario.cells, other)))


def test_plans_that_make_no_sense_are_refused() -> None:
    cell = demo_scenario().cells[0]
    with pytest.raises(ValueError, match="no fastener"):
        Program("empty", ())
    with pytest.raises(ValueError, match="same code"):
        replace(cell, alarms=(AlarmPlan("x", "stop", Fixed(1), Fixed(1)), AlarmPlan("x", "notice", Fixed(1), Fixed(1))))
    with pytest.raises(ValueError, match="a zone and a program"):
        replace(cell, zones=())
    with pytest.raises(ValueError, match="at least one"):
        demo_scenario(cells=0)
