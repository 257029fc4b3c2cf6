"""Pictures of the pages for the documentation; `ZONELEDGER_PICTURES=docs/pictures` puts them where it shows them."""

import subprocess
from pathlib import Path

import pytest

from tests.browser.conftest import OpenPage
from tests.browser.scenes import LINE, MISSING, WHOLE
from tests.servers.fixtures import programs
from tests.servers.programs import find_program
from tests.servers.service import ServiceProcess

SHEET = f"/sheet/{LINE}?shift={WHOLE}"
SHOTS = {
    "whole-laptop": (SHEET, "laptop", "light"),
    "whole-hall-dark": (SHEET, "hall", "dark"),
    "whole-phone": (SHEET, "phone", "light"),
    "missing-laptop": (f"/sheet/{LINE}?shift={MISSING}", "laptop", "light"),
    "error-laptop": (f"/sheet/{LINE}/cell-9", "laptop", "light"),
}
PNG = b"\x89PNG\r\n\x1a\n"
#: A page on which little is drawn makes a picture of a few kilobytes.
LEAST_BYTES = 12_000


@pytest.mark.parametrize("name", SHOTS)
def test_a_picture_of_each_page(line: ServiceProcess, open_page: OpenPage, pictures: Path, name: str) -> None:
    path, screen, shade = SHOTS[name]
    page = open_page(line, path, screen=screen, shade=shade).page
    page.eval_on_selector_all(
        ".readout", "all => all.forEach((one) => (one.style.position = 'static'))"
    )  # it sticks over ribbons
    picture = page.screenshot(path=pictures / f"{name}.png", full_page=screen == "laptop")
    assert picture.startswith(PNG)
    assert len(picture) > LEAST_BYTES


def test_a_picture_of_an_empty_plant(empty: ServiceProcess, open_page: OpenPage, pictures: Path) -> None:
    picture = open_page(empty, "/").page.screenshot(path=pictures / "empty-laptop.png")
    assert len(picture) > LEAST_BYTES


def _first_page(program: str | Path, printed: Path) -> bytes:
    """Return the picture of the first page of what was printed."""
    command = [program, "-r", "100", "-f", "1", "-l", "1", printed]
    return subprocess.run(command, check=True, capture_output=True).stdout


def test_a_picture_of_the_printed_sheet(
    line: ServiceProcess, open_page: OpenPage, pictures: Path, tmp_path: Path
) -> None:
    printed = tmp_path / "sheet.pdf"
    open_page(line, SHEET).page.pdf(path=printed, format="A4", print_background=True)
    with programs():
        program = find_program("pdftoppm")
    target = pictures / "whole-print"
    subprocess.run([program, "-r", "70", "-png", "-f", "1", "-singlefile", printed, target], check=True)
    assert target.with_suffix(".png").stat().st_size > LEAST_BYTES
    dark = tmp_path / "dark.pdf"
    open_page(line, SHEET, shade="dark").page.pdf(path=dark, format="A4", print_background=True)
    assert _first_page(program, dark) == _first_page(program, printed)
    told = subprocess.run([find_program("pdftotext"), printed, "-"], check=True, capture_output=True, text=True).stdout
    oee = line.get(f"/v1/kpi/{LINE}", shift=WHOLE)["oee"]
    assert f"{oee * 100:.1f} %" in told
