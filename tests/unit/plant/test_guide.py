"""The page on how to declare the plant says what the program does."""

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from zoneledger.core.errors import PlantInvalid
from zoneledger.core.shifts import FIRST_SINCE, LAST_DATE, find_instance
from zoneledger.plant_document import read_yaml, to_plant
from zoneledger.plant_document.reading import MAX_BYTES
from zoneledger.plant_document.recurrence import PARTS
from zoneledger.plant_document.schema import (
    CellDocument,
    LineDocument,
    PlantDocument,
    ReasonDocument,
    ShiftDocument,
    SiteDocument,
    StandardDocument,
    StopDocument,
)
from zoneledger.plant_document.shift_checks import OVERLAP_DAYS

GUIDE = (Path(__file__).parents[3] / "docs" / "plant.md").read_text(encoding="utf-8")
WHOLE, CHANGED_SHIFT = re.findall(r"```yaml\n(.*?)```", GUIDE, re.DOTALL)
MODELS: tuple[type[BaseModel], ...] = (
    PlantDocument,
    SiteDocument,
    LineDocument,
    ShiftDocument,
    StopDocument,
    StandardDocument,
    CellDocument,
    ReasonDocument,
)


def test_the_plants_of_the_guide_are_valid() -> None:
    assert [unit.path for unit in to_plant(read_yaml(WHOLE)) if unit.level == "cell"] == [
        "harbour/wing-1/cell-1",
        "harbour/wing-1/cell-2",
    ]
    site = to_plant(read_yaml(CHANGED_SHIFT)).sites[0]
    begins = [find_instance(site.lines[0], site.tz, f"2026-{day}/early") for day in ("05-31", "06-01")]
    assert [begin.start_us % 86_400_000_000 / 3_600_000_000 for begin in begins if begin] == [5.0, 4.5]


def test_the_faults_that_the_guide_shows_are_those_that_are_told() -> None:
    shown = re.findall(r"```text\n(.*?)```", GUIDE, re.DOTALL)[0]
    text = WHOLE.replace("Europe/Lisbon", "Europe/Lissabon").replace("BYDAY=MO,TU", "BYDAY=MO,DI", 1)
    with pytest.raises(PlantInvalid) as caught:
        read_yaml(text)
    assert [f"{place}: {sentence}" for place, sentence in caught.value.errors] == shown.splitlines()


def test_every_field_part_and_limit_is_in_the_guide() -> None:
    for model in MODELS:
        for name, field in model.model_fields.items():
            assert re.search(rf"\b{field.alias or name}\b", GUIDE), name
    for part in PARTS:
        assert f"`{part}`" in GUIDE
    for limit in (str(FIRST_SINCE), str(LAST_DATE), f"{OVERLAP_DAYS} days", f"{MAX_BYTES // 1024**2} MiB"):
        assert limit in GUIDE
