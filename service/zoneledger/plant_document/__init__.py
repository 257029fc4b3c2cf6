"""The document that declares a plant: its fields, how it is read, and what it means."""

from zoneledger.plant_document.meaning import to_plant
from zoneledger.plant_document.reading import read_json
from zoneledger.plant_document.schema import EXAMPLE, PlantDocument, canonical_json
from zoneledger.plant_document.yaml_source import read_yaml

__all__ = ["EXAMPLE", "PlantDocument", "canonical_json", "read_json", "read_yaml", "to_plant"]
