"""A plant of one cell with one zone, which real processes are tried with."""

CELL = "harbour/wing-1/cell-1"
PLANT = {
    "sites": [
        {
            "site": "harbour",
            "timezone": "Europe/Lisbon",
            "lines": [{"line": "wing-1", "cells": [{"cell": "cell-1", "zones": ["1"]}]}],
        }
    ]
}
