"""The pages that people look at, and what they are made of: files of this package, served as they are."""

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Request, Response
from fastapi import Path as PathParameter

from zoneledger.api.guard import Guarded
from zoneledger.api.kept import etag_of, respond
from zoneledger.api.problems import ApiError
from zoneledger.wording import printable

router = APIRouter(include_in_schema=False, route_class=Guarded)

WEB = Path(__file__).parent.parent / "web"
LOGIN = "login.html"
MEDIA_TYPES = {".css": "text/css", ".js": "text/javascript", ".html": "text/html", ".svg": "image/svg+xml"}


@lru_cache(maxsize=1)
def assets() -> dict[str, bytes]:
    """Return the files of the pages by name, read once."""
    return {file.name: file.read_bytes() for file in WEB.iterdir() if file.suffix in MEDIA_TYPES}


def _file(request: Request, name: str) -> Response:
    body = assets()[name]
    return respond(request, body, etag_of(body), _media_type(name))


def _media_type(name: str) -> str:
    return f"{MEDIA_TYPES[Path(name).suffix]}; charset=utf-8"


def login_page(status: int) -> Response:
    """Return the page to log in at, in the place of what was asked for: it goes on there once somebody has logged in."""
    return Response(assets()[LOGIN], status, {"Cache-Control": "no-store"}, _media_type(LOGIN))


@router.get("/")
async def get_plant_page(request: Request) -> Response:
    """All lines as they stand now."""
    return _file(request, "plant.html")


@router.get("/sheet/{unit:path}")
async def get_sheet_page(request: Request) -> Response:
    """The shift sheet of a site, line or cell; the page itself asks /v1/sheet, which knows whether there is such a unit."""
    return _file(request, "sheet.html")


@router.get("/commissioning/{unit:path}")
async def get_commissioning_page(request: Request) -> Response:
    """What became of a cell's messages, for whoever commissions it."""
    return _file(request, "commissioning.html")


@router.get("/login")
async def get_login_page() -> Response:
    """The page to log in at."""
    return login_page(200)


@router.get("/assets/{name}")
async def get_asset(request: Request, name: Annotated[str, PathParameter(max_length=60)]) -> Response:
    """A file that pages are made of."""
    if name not in assets() or name.endswith(".html"):
        raise ApiError("route_unknown", f"There is no asset {printable(name)}.")
    return _file(request, name)
