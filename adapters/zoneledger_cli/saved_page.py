"""Saves the service's own page with its answers in one file that needs nothing else, and prints it by a browser."""

import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import httpx

from zoneledger_cli.asking import remedy_of

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
PRINTING_S = 120.0

_STYLE = re.compile(r'<link rel="stylesheet" href="(/assets/[\w.-]+)">')
_ICON = re.compile(r'<link rel="icon" href="(/assets/[\w.-]+)">')
_SCRIPT = re.compile(r'<script src="(/assets/[\w.-]+)" defer></script>')


async def page_of(client: httpx.AsyncClient, request: str, answer: dict[str, Any]) -> str:
    """Return the page of a sheet as one text, with the answer to the request by which it is asked for in it.

    Raises OSError where the service does not answer, ValueError where it has no such page.
    """
    page = await _text(client, request.removeprefix("/v1").partition("?")[0])
    assets = {path: await _text(client, path) for path in re.findall(r'"(/assets/[\w.-]+)"', page)}
    policy: dict[str, list[str]] = {"script-src": [], "style-src": []}
    page = _STYLE.sub(lambda found: _inlined("style", assets[found[1]], policy["style-src"]), page)
    page = _ICON.sub(lambda found: f'<link rel="icon" href="{_data(assets[found[1]])}">', page)
    page = _SCRIPT.sub(lambda found: _inlined("script", assets[found[1]], policy["script-src"]), page)
    if '"/assets/' in page or "<script>" not in page:
        raise ValueError(
            "the service's page has parts that this version cannot put into a file: use the service's own version"
        )
    page = page.replace("<script>", _answers({request: answer}) + "\n<script>", 1)
    return page.replace('<meta charset="utf-8">', '<meta charset="utf-8">\n' + _policy(policy), 1)


async def _text(client: httpx.AsyncClient, path: str) -> str:
    try:
        answer = await client.get(path)
    except httpx.TransportError as error:
        raise ConnectionError(f"{path} was not answered: {error}") from None
    if answer.status_code != 200:
        raise ValueError(
            f"the service has no page {path}: it answered {answer.status_code}{remedy_of(answer.status_code)}"
        )
    return answer.text


def _inlined(tag: str, text: str, allowed: list[str]) -> str:
    """Return a text as an element of the page, and note the digest by which the page may use it."""
    text = re.sub(rf"</({tag})", r"<\\/\1", text, flags=re.IGNORECASE)
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    allowed.append(f"'sha256-{digest}'")
    return f"<{tag}>{text}</{tag}>"


def _data(icon: str) -> str:
    return f"data:image/svg+xml;base64,{base64.b64encode(icon.encode()).decode()}"


def _answers(answers: dict[str, Any]) -> str:
    """Return the answers as an element of the page; no text in them can end it."""
    text = json.dumps(answers).replace("<", "\\u003c")
    return f'<script type="application/json" id="answers">{text}</script>'


def _policy(policy: dict[str, list[str]]) -> str:
    """Return what keeps the page from reading anything else and from running anything that is not its own."""
    rules = "; ".join(f"{name} {' '.join(allowed)}" for name, allowed in policy.items())
    return f"""<meta http-equiv="Content-Security-Policy" content="default-src 'none'; {rules}; img-src data:; base-uri 'none'">"""


def find_browser() -> str:
    """Return the browser that prints; raise ValueError, saying what to install, where there is none."""
    for name in BROWSERS:
        if found := shutil.which(name):
            return found
    raise ValueError(
        f"--pdf needs a Chromium to print with: install one as {', '.join(BROWSERS[:-1])} or {BROWSERS[-1]}"
    )


def print_page(browser: str, page: Path, pdf: Path) -> None:
    """Print a saved page into a file. Raises ValueError where the browser does not."""
    with (
        TemporaryDirectory(prefix="zoneledger-print-") as profile,
        TemporaryDirectory(prefix="zoneledger-print-", dir=pdf.resolve().parent) as beside,
    ):
        printed = Path(beside) / "sheet.pdf"
        command = [browser, "--headless", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"]
        if os.geteuid() == 0:  # Chromium refuses to begin as root with its sandbox
            command.append("--no-sandbox")
        command += [f"--user-data-dir={profile}", "--no-pdf-header-footer", "--virtual-time-budget=5000"]
        command += [f"--print-to-pdf={printed}", page.resolve().as_uri()]
        try:
            done = subprocess.run(
                command, stdin=subprocess.DEVNULL, capture_output=True, timeout=PRINTING_S, check=False
            )
        except subprocess.TimeoutExpired:
            raise ValueError(f"{browser} did not print within {PRINTING_S:g} s") from None
        if done.returncode or not printed.is_file():
            said = done.stderr.decode(errors="replace").strip().splitlines()
            raise ValueError(f"{browser} did not print: {said[-1] if said else 'it did not say why'}")
        os.replace(printed, pdf.resolve())
