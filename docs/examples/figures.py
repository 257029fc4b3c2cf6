"""Prints a shift's OEE by unit: python figures.py http://127.0.0.1:8000 harbour/wing-1 2026-11-25/early"""

import os
import sys

import httpx

url, line, shift = sys.argv[1:]
key = os.environ.get("ZONELEDGER_KEY")  # where the service asks who calls
headers = {"authorization": f"Bearer {key}"} if key else {}
with httpx.Client(base_url=url, timeout=60, headers=headers) as service:
    sites = service.get("/v1/units").raise_for_status().json()["sites"]
    cells = [cell for site in sites for one in site["lines"] if one["unit"] == line for cell in one["cells"]]
    for unit in (line, *(cell["unit"] for cell in cells)):
        answer = service.get(f"/v1/kpi/{unit}", params={"shift": shift})
        if answer.is_error:
            sys.exit(answer.json()["detail"])  # what would be right, in a sentence
        kpi = answer.json()
        if kpi["oee"] is None:
            print(f"{unit}: no OEE, as {kpi['known'] or 0:.0%} of the time is known")
        else:
            low, high = kpi["oee_bounds"]
            bounds = f"between {low:.1%} and {high:.1%}"
            # where they lie far apart, a single figure would mislead
            oee = bounds if high - low > 0.1 else f"{kpi['oee']:.1%} ({bounds})"
            least = "at least " if kpi["time_s"]["unknown"] > 0.005 * kpi["planned_s"] else ""
            print(f"{unit}: OEE {oee}, {least}{kpi['fasteners']['made']} made")
