"""Reads a shift's sheet from a running service, and saves and prints it."""

import asyncio
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple
from urllib.parse import quote, urlencode

from zoneledger_cli.asking import Asked, client_of
from zoneledger_cli.saved_page import find_browser, page_of, print_page


class Sheet(NamedTuple):
    """What the service answered, and what it was asked for: a path with its query."""

    request: str
    answer: dict[str, Any]


def request_of(unit: str, query: dict[str, str]) -> str:
    """Return the request for a sheet, written as a browser writes it."""
    path = f"/v1/sheet/{quote(unit, safe='/')}"
    return f"{path}?{urlencode(query)}" if query else path


@dataclass(frozen=True, slots=True)
class Files:
    """Where a sheet is saved as a page, and printed to; None: not at all."""

    html: Path | None
    pdf: Path | None


async def report(url: str, unit: str, query: dict[str, str], files: Files, key: str | None = None) -> dict[str, Any]:
    """Return the sheet of a unit, and save it in files where they are named.

    Raises OSError where the service does not answer or a file's folder is not there, ValueError where it refuses or nothing can print.
    """
    for file in (files.html, files.pdf):
        if file is not None and not file.parent.is_dir():
            raise FileNotFoundError(f"there is no folder {file.parent}")
    browser = find_browser() if files.pdf else None
    async with client_of(url, key) as client:
        sheet = await read_sheet(Asked(client, url.rstrip("/")), unit, query)
        if not (files.html or files.pdf):
            return sheet.answer
        page = await page_of(client, sheet.request, sheet.answer)
    with TemporaryDirectory(prefix="zoneledger-report-") as directory:
        saved = files.html or Path(directory) / "sheet.html"
        saved.write_text(page, encoding="utf-8")
        if browser and files.pdf:
            await asyncio.to_thread(print_page, browser, saved, files.pdf)
    return sheet.answer


async def read_sheet(asked: Asked, unit: str, query: dict[str, str]) -> Sheet:
    """Return the sheet of a unit over a window; without one that of the last shift that is over, or of the last day of a site.

    Raises OSError where the service does not answer, ValueError where it refuses, in its own words.
    """
    sheet = await _read(asked, unit, query)
    if query:
        return sheet
    if sheet.answer["until"] == sheet.answer["end"]:
        return await _read(asked, unit, _query_of(sheet.answer))
    before = sheet.answer["previous"]
    if before is None:
        raise ValueError(f"no shift of {unit} is over yet: name a window by --shift, --day, or --start and --end")
    return await _read(asked, unit, before["query"])


async def _read(asked: Asked, unit: str, query: dict[str, str]) -> Sheet:
    return Sheet(request_of(unit, query), await asked.get(f"/v1/sheet/{quote(unit, safe='/')}", query))


def _query_of(answer: dict[str, Any]) -> dict[str, str]:
    """Return the query that asks for the window of an answer."""
    if answer["shift"] is not None:
        return {"shift": answer["shift"]}
    if answer["label"] is not None:
        return {"day": answer["label"]}
    return {"start": answer["start"], "end": answer["end"]}
