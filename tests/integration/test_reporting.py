"""`zoneledger report` against a real service: the terminal and the files show what the API tells."""

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner, Result

from tests.faults.launching import ForkedService
from tests.integration.api.plant import CELL, PLANT, morning
from tests.servers.chromium import chromium
from tests.servers.service import ServiceProcess
from zoneledger_cli.main import app
from zoneledger_cli.reason_words import for_people
from zoneledger_cli.report_tables import STEPS, length, number, percent
from zoneledger_cli.saved_page import print_page

LINE = "bench/line-1"
SHIFT = "2026-03-02/early"
HOSTILE = "</script><script>document.title='taken'</script>"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service that knows the morning of the first of two cells, and what was said of it."""
    directory = tmp_path_factory.mktemp("reporting")
    plant = directory / "plant.json"
    plant.write_text(json.dumps(PLANT))
    with ForkedService("--database", f"sqlite:///{directory / 'zoneledger.db'}", "--plant", str(plant)) as service:
        sent = httpx.post(f"{service.url}/v1/messages", json={"cell": CELL, "messages": morning()}, timeout=60)
        assert sent.json()["refused"] == []
        said = {"unit": CELL, "start": "2026-03-02T06:31:00Z", "end": "2026-03-02T06:45:00Z", "by": "shift-lead"}
        told = said | {"reason": "sensor", "note": f"cable [bold]{HOSTILE}"}
        assert httpx.post(f"{service.url}/v1/reasons", json=told).status_code == 201
        yield service


def _run(service: ServiceProcess, *flags: str | Path, unit: str = LINE) -> Result:
    return CliRunner().invoke(app, ["report", unit, "--against", service.url, *map(str, flags)])


def _cells(output: str, first: str) -> list[str]:
    """Return the cells of the first table row that begins with a text."""
    rows = [[cell.strip() for cell in re.split("[│┃]", line)[1:-1]] for line in output.splitlines()]
    return next(row for row in rows if row and row[0] == first)


def _told(figures: Any) -> list[str]:
    low, high = figures["oee_bounds"]
    oee = None if low is not None and high - low > 0.1 else figures["oee"]
    ratios = [oee, low, high, *(figures[f] for f in ("availability", "performance", "quality"))]
    made = [figures["fasteners"]["made"], figures["fasteners"]["good"], figures["fasteners_per_hour"]["good"]]
    is_least = figures["time_s"]["unknown"] > 0.005 * figures["planned_s"]
    counts = [f"≥ {told}" if is_least and told != "–" else told for told in map(number, made)]
    return [*map(percent, ratios), *counts, percent(figures["known"])]


def test_the_terminal_shows_the_figures_of_the_line_and_its_cells_as_the_api_tells_them(
    service: ServiceProcess,
) -> None:
    told = _run(service, "--shift", SHIFT)
    assert told.exit_code == 0, told.output
    kpi = service.get(f"/v1/kpi/{LINE}", shift=SHIFT, against="before")
    assert _cells(told.stdout, LINE)[1:] == _told(kpi)
    for cell in (CELL, f"{LINE}/cell-2"):
        name = cell.rpartition("/")[2]
        assert _cells(told.stdout, name)[1:] == _told(service.get(f"/v1/kpi/{cell}", shift=SHIFT))
    assert _cells(told.stdout, "before: 2026-03-01/late")[1:] == _told(kpi["against"])
    assert kpi["oee_bounds"][1] - kpi["oee_bounds"][0] > 0.1, "most of it is unknown"
    assert percent(kpi["oee"]) not in told.stdout
    notes = "The first row is added up over its cells. ≥: at least so many, as what was made in unknown time is not counted."
    assert notes in " ".join(told.stdout.split())
    for warning in kpi["warnings"]:
        if warning["code"] != "unknown_time":
            assert for_people(warning["text"]) in told.stdout
    low, high = map(percent, kpi["oee_bounds"])
    unknown = f"{length(kpi['time_s']['unknown'])} of planned time is unknown: the OEE lies between {low} and {high}, whatever"
    assert unknown in told.stdout
    assert "/v1/" not in told.stdout


def test_losses_lead_from_planned_time_to_good_work_with_what_is_left(service: ServiceProcess) -> None:
    output = _run(service, "--shift", SHIFT).stdout
    losses = service.get(f"/v1/losses/{LINE}", shift=SHIFT)
    assert _cells(output, "planned time")[2] == length(losses["planned_s"]) == "15:00:00"
    for step in losses["steps"]:
        assert _cells(output, STEPS[step["step"]])[1:3] == [length(step["lost_s"]), length(step["left_s"])]
    assert _cells(output, "good work by the standard")[2] == length(losses["good_standard_s"])


def test_reasons_and_what_people_said_are_told_as_they_are_written(service: ServiceProcess) -> None:
    output = _run(service, "--shift", SHIFT).stdout
    assert "sensor 0:14:00" in " ".join(output.split())
    assert "[bold]" in output
    assert "shift-lead" in output


def _shift(service: ServiceProcess, name: str) -> Any:
    return next(one for one in service.get(f"/v1/shifts/{LINE}", shift=name)["shifts"] if one["shift"] == name)


def test_without_a_window_it_is_the_last_shift_that_is_over(service: ServiceProcess) -> None:
    told = _run(service)
    assert told.exit_code == 0, told.output
    # The real clock is of no matter here: whatever the last shift is, the service says that it is over.
    name = told.stdout.partition(", ")[2].partition(":")[0]
    assert _shift(service, name)["over"]
    following = service.get(f"/v1/sheet/{LINE}", shift=name)["next"]["query"]["shift"]
    assert not _shift(service, following)["over"]


@pytest.mark.parametrize(
    ("flags", "sentence"),
    [
        (["--shift", "2026-03-02/night"], "has no shift 'night'; its shifts: early, late"),
        (["--shift", SHIFT, "--day", "2026-03-02"], "A window is either start and end, or shift"),
        (["--start", "2026-03-02T06:00:00Z"], "A window needs both start and end"),
    ],
)
def test_what_the_service_refuses_is_told_in_its_own_words(
    service: ServiceProcess, flags: list[str], sentence: str
) -> None:
    told = _run(service, *flags)
    assert told.exit_code == 1
    assert sentence in told.stderr


def test_the_saved_page_shows_the_sheet_without_the_service(service: ServiceProcess, tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    assert _run(service, "--shift", SHIFT, "--html", page).exit_code == 0
    text = page.read_text()
    assert "/assets/" not in re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL)
    assert HOSTILE not in text
    kpi = service.get(f"/v1/kpi/{LINE}", shift=SHIFT)
    with chromium() as browser:
        shown = browser.new_page()
        asked: list[str] = []
        failed: list[str] = []
        shown.on("request", lambda request: asked.append(request.url))
        shown.on("console", lambda said: failed.append(said.text) if said.type == "error" else None)
        shown.on("pageerror", lambda error: failed.append(str(error)))
        shown.goto(page.as_uri())
        shown.wait_for_selector("#oee")
        low, high = kpi["oee_bounds"]
        assert shown.inner_text("#oee") == f"between {percent(low)} and {percent(high)}", "most of it is unknown"
        assert HOSTILE in shown.inner_text("body")
        assert "taken" not in shown.title()
        assert {url for url in asked if not url.startswith("data:")} == {page.as_uri()}
        assert failed == []


def test_the_printed_sheet_has_the_oee_on_one_to_three_pages_of_a4(service: ServiceProcess, tmp_path: Path) -> None:
    pdf = tmp_path / "sheet.pdf"
    told = _run(service, "--shift", SHIFT, "--pdf", pdf)
    assert told.exit_code == 0, told.output
    written = pdf.read_bytes()
    assert written.startswith(b"%PDF-")
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", written)
    assert 1 <= len(boxes) <= 3
    for width, height in boxes:  # 210 x 297 mm are 595.28 x 841.89 points
        assert (round(float(width)), round(float(height))) == (595, 842)
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
        low, high = service.get(f"/v1/kpi/{LINE}", shift=SHIFT)["oee_bounds"]
        assert f"OEE between {percent(low)} and {percent(high)}" in text


def test_a_browser_that_writes_nothing_is_told_though_there_is_an_older_file(tmp_path: Path) -> None:
    pdf = tmp_path / "sheet.pdf"
    pdf.write_bytes(b"yesterday's")
    with pytest.raises(ValueError, match="true did not print: it did not say why"):
        print_page("true", tmp_path / "sheet.html", pdf)
    assert (pdf.read_bytes(), list(tmp_path.iterdir())) == (b"yesterday's", [pdf])


@pytest.mark.parametrize("flag", ["--pdf", "--html"])
def test_a_folder_that_is_not_there_is_told_before_anybody_is_asked(flag: str, tmp_path: Path) -> None:
    folder = tmp_path / "away"
    told = CliRunner().invoke(app, ["report", LINE, "--against", "http://127.0.0.1:9", flag, str(folder / "sheet")])
    assert (told.exit_code, told.stderr) == (1, f"zoneledger: there is no folder {folder}\n")


def test_without_a_browser_it_says_what_to_install(
    service: ServiceProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    told = _run(service, "--shift", SHIFT, "--pdf", tmp_path / "sheet.pdf")
    assert told.exit_code == 1
    assert "install one as chromium" in told.stderr
    assert told.stdout == ""
