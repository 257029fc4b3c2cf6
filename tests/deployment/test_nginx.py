"""The shipped nginx, as it is: what it passes on, what it refuses, and what becomes of slow clients."""

import asyncio
import json
import re
import ssl
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.deployment.echo import Echo, echo
from tests.docs.pages import read, rows, section
from tests.faults.launching import ForkedService
from tests.integration.api.listening import Listener
from tests.servers.fixtures import lend
from tests.servers.nginx import SHIPPED, Nginx
from tests.servers.one_cell import CELL, PLANT
from tests.servers.programs import free_port, wait_until
from tests.servers.service import ServiceProcess
from zoneledger.api.aside import ANSWER, END_S, LONGEST_PLACE_S, PROOF
from zoneledger.api.door import HEADERS, HSTS
from zoneledger.api.retry_bodies import MAX_BODY_BYTES as MAX_RETRY_BYTES
from zoneledger.api.routes.plant import MAX_PLANT_BYTES
from zoneledger.api.times import rfc3339
from zoneledger.api.turns import LONGEST_WAIT_S
from zoneledger.clock import now_us
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES

#: The shipped time-outs, shorter for the test of slow clients: what the long ones do is in docs/security.md.
SHORTER = {"client_header_timeout 10s": "client_header_timeout 1s", "client_body_timeout 10s": "client_body_timeout 1s"}
SHORT_S, LATE_S = 1.0, 10.0
MOST_OF_ONE_ADDRESS = 256
MOST_AT_ONCE = 501
HELD = b"GET /held HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


def _messages(seq: int) -> dict[str, Any]:
    """Return a body with the snapshot that a cell begins with, or with the alarm that stops it."""
    told = {"type": "snapshot", "zones": {"1": {"activity": "process"}}, "alarms": []}
    if seq:
        told = {"type": "alarm", "phase": "raise", "code": "clamp-force", "severity": "stop", "zone": "1"}
    return {"cell": CELL, "messages": [{"v": 1, "boot": 1, "seq": seq, "at": rfc3339(now_us()), **told}]}


@pytest.fixture(scope="module")
def behind() -> Iterator[Echo]:
    with echo() as server:
        yield server


@pytest.fixture(scope="module")
def before_echo(behind: Echo) -> Iterator[Nginx]:
    yield from lend(lambda: Nginx(behind.server_port))


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    directory = tmp_path_factory.mktemp("service")
    plant = directory / "plant.json"
    plant.write_text(json.dumps(PLANT))
    with ForkedService("--database", f"sqlite:///{directory / 'zoneledger.db'}", "--plant", str(plant)) as running:
        yield running


@pytest.fixture(scope="module")
def nginx(service: ServiceProcess) -> Iterator[Nginx]:
    yield from lend(lambda: Nginx(service.port))


@pytest.fixture
def impatient(service: ServiceProcess) -> Iterator[Nginx]:
    """nginx with shorter time-outs."""
    yield from lend(lambda: Nginx(service.port, SHORTER))


@pytest.fixture
def client(nginx: Nginx) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=nginx.url, verify=nginx.trusting, timeout=20) as client:
        yield client


def problem(answer: httpx.Response) -> dict[str, Any]:
    """Return the problem of an answer, which has all that the service's own ones have."""
    assert answer.headers["content-type"] == "application/problem+json"
    found: dict[str, Any] = answer.json()
    assert found.keys() == {"type", "title", "status", "detail", "instance", "code", "errors"}
    assert found["status"] == answer.status_code
    assert found["type"] == f"urn:zoneledger:problem:{found['code']}"
    return found


def assert_safe(answer: httpx.Response) -> None:
    """Fail where an answer of nginx itself lacks what the service tells browsers with each of its own."""
    assert answer.headers["strict-transport-security"] == HSTS[1].decode()
    assert answer.headers["x-content-type-options"] == HEADERS["x-content-type-options"]


def test_it_takes_the_configuration_without_a_complaint(before_echo: Nginx) -> None:
    # Without root it cannot have more open files than this machine allows, where that is less.
    assert [line for line in before_echo.log().splitlines() if "RLIMIT_NOFILE" not in line] == []


def test_it_waits_until_the_service_gives_an_answer_up_itself() -> None:
    told = [
        int(seconds) for seconds in re.findall(r"^ *proxy_read_timeout (\d+)s;$", SHIPPED.read_text(), re.MULTILINE)
    ]
    others_s = LONGEST_WAIT_S + LONGEST_PLACE_S + END_S
    longest_s = [others_s + patience.longest_s for patience in (ANSWER, PROOF)]
    assert [told_s - most_s for told_s, most_s in zip(told, longest_s, strict=True)] == [5, 5]
    assert "location /v1/proofs {" in SHIPPED.read_text()
    work = next(row for row in rows(section(read("docs/operations.md"), "nginx in front")) if row[0] == "work")
    assert [int(number) for number in re.findall(r"(\d+) s", work[1])] == told


def test_plain_http_is_sent_on_to_tls(before_echo: Nginx) -> None:
    answer = httpx.get(f"http://127.0.0.1:{before_echo.plain_port}/v1/kpi/harbour?day=2026-11-25")
    assert answer.status_code == 308
    assert answer.headers["location"] == "https://127.0.0.1/v1/kpi/harbour?day=2026-11-25"


async def _protocol(nginx: Nginx, version: ssl.TLSVersion) -> tuple[str | None, str | None]:
    """Return the version of TLS and the protocol above it that are agreed on with a client of one version."""
    context = nginx.trusting
    context.set_ciphers("ALL:@SECLEVEL=0")  # or the client itself would refuse what it is to offer
    context.set_alpn_protocols(["h2", "http/1.1"])
    with warnings.catch_warnings(action="ignore"):
        context.minimum_version = context.maximum_version = version
    _, writer = await asyncio.open_connection("127.0.0.1", nginx.port, ssl=context)
    agreed: ssl.SSLObject = writer.get_extra_info("ssl_object")
    writer.transport.abort()
    return agreed.version(), agreed.selected_alpn_protocol()


async def test_tls_is_1_2_or_1_3_and_many_requests_share_a_connection(before_echo: Nginx) -> None:
    assert await _protocol(before_echo, ssl.TLSVersion.TLSv1_3) == ("TLSv1.3", "h2")
    assert await _protocol(before_echo, ssl.TLSVersion.TLSv1_2) == ("TLSv1.2", "h2")
    with pytest.raises(ssl.SSLError, match=r"(?i)alert protocol version"):
        await _protocol(before_echo, ssl.TLSVersion.TLSv1_1)


def test_what_a_client_claims_of_its_way_here_is_not_passed_on(before_echo: Nginx) -> None:
    claimed = {
        "x-forwarded-for": "192.0.2.66",
        "x-forwarded-proto": "http",
        "x-forwarded-host": "elsewhere.example",
        "x-forwarded-port": "81",
        "x-real-ip": "192.0.2.66",
        "forwarded": "for=192.0.2.66",
    }
    answer = httpx.get(before_echo.url, headers={**claimed, "authorization": "Bearer abc"}, verify=before_echo.trusting)
    passed = [(name, value) for name, value in answer.json() if name in claimed]
    assert sorted(passed) == [("x-forwarded-for", "127.0.0.1"), ("x-forwarded-proto", "https")]
    assert ["host", f"127.0.0.1:{before_echo.port}"] in answer.json()
    assert ["authorization", "Bearer abc"] in answer.json()


@pytest.mark.parametrize("path", ["/", "/v1/units", "/health/ready", "/no-such-path"])
def test_no_header_comes_twice_and_no_version_is_told(client: httpx.Client, path: str) -> None:
    headers = client.get(path).headers
    assert [
        name for name, count in Counter(name.lower() for name, _ in headers.multi_items()).items() if count > 1
    ] == []
    assert headers["server"] == "nginx"


@pytest.mark.parametrize("declared", [True, False], ids=["declared", "in chunks"])
@pytest.mark.parametrize(
    ("method", "path", "longest"),
    [
        ("POST", "/v1/messages", MAX_PAYLOAD_BYTES),
        ("PUT", "/v1/plant", MAX_PLANT_BYTES),
        ("POST", "/v1/refused/retry", MAX_RETRY_BYTES),
    ],
)
def test_a_body_is_as_long_as_its_path_takes_at_most(
    client: httpx.Client, method: str, path: str, longest: int, declared: bool
) -> None:
    def sent(length: int) -> httpx.Response:
        body = b" " * length
        headers = {"content-type": "application/json"}
        return client.request(method, f"{path}?x=1", content=body if declared else iter([body]), headers=headers)

    assert problem(sent(longest))["code"] != "body_too_large"
    refused = sent(longest + 1)
    assert (problem(refused)["code"], problem(refused)["instance"]) == ("body_too_large", path)
    assert str(longest) in problem(refused)["detail"]
    assert_safe(refused)


def test_a_service_that_is_away_is_told_as_not_ready() -> None:
    for nginx in lend(lambda: Nginx(free_port())):
        answer = httpx.get(f'{nginx.url}/v1/kpi/harb"our?day=x', verify=nginx.trusting)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
        assert problem(answer)["code"] == "not_ready"
        assert_safe(answer)
        assert httpx.get(f"{nginx.url}/v1/units", verify=nginx.trusting).json()["instance"] == "/v1/units"


async def _opened(
    nginx: Nginx, request: bytes, trusting: ssl.SSLContext | None = None
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Return a connection over which the begin of a request, or all of it, was sent."""
    reader, writer = await asyncio.open_connection("127.0.0.1", nginx.port, ssl=trusting or nginx.trusting)
    writer.write(request)
    await writer.drain()
    return reader, writer


async def test_an_address_has_a_bounded_number_of_requests_and_others_are_answered_meanwhile(
    before_echo: Nginx, behind: Echo
) -> None:
    other = httpx.AsyncHTTPTransport(verify=before_echo.trusting, local_address="127.0.0.2")
    async with (
        httpx.AsyncClient(verify=before_echo.trusting, base_url=before_echo.url, timeout=20) as same,
        httpx.AsyncClient(transport=other, base_url=before_echo.url, timeout=20) as another,
    ):
        trusting = before_echo.trusting
        held = [await _opened(before_echo, HELD, trusting) for _ in range(MOST_OF_ONE_ADDRESS - 1)]
        try:
            await asyncio.to_thread(wait_until, lambda: behind.held == MOST_OF_ONE_ADDRESS - 1, "all but one are held")
            assert (await same.get("/")).status_code == 200
            held.append(await _opened(before_echo, HELD))
            await asyncio.to_thread(wait_until, lambda: behind.held == MOST_OF_ONE_ADDRESS, "all are held")
            refused = await same.get("/v1/units")
            assert (await another.get("/")).status_code == 200
        finally:
            behind.released.set()
            for _, writer in held:
                writer.transport.abort()
    assert (problem(refused)["code"], refused.headers["retry-after"]) == ("too_often", "5")
    assert_safe(refused)


async def test_an_address_that_asks_too_often_is_told_to_wait_and_others_are_answered_meanwhile() -> None:
    asked = (MOST_AT_ONCE + 200) * b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    for nginx in lend(lambda: Nginx(free_port())):  # its own answers are quick enough to come all at once
        reader, writer = await _opened(nginx, asked + b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        answers = (await asyncio.wait_for(reader.read(-1), 60)).split(b"HTTP/1.1 ")[1:]
        writer.transport.abort()
        refused = [answer for answer in answers if not answer.startswith(b"503 ")]
        assert len(answers) == MOST_AT_ONCE + 201
        assert len(answers) - len(refused) >= MOST_AT_ONCE
        assert refused
        assert all(answer.startswith(b"429 ") and b"Retry-After: 5\r\n" in answer for answer in refused)
        other = httpx.AsyncHTTPTransport(verify=nginx.trusting, local_address="127.0.0.2")
        async with httpx.AsyncClient(transport=other) as another:
            assert (await another.get(nginx.url)).status_code == 503


async def _cut_off_after_s(nginx: Nginx, request: bytes, trickle: bytes) -> float:
    """Return how long it takes until a client is cut off that sends a request's begin, and then a few bytes now and again."""
    reader, writer = await _opened(nginx, request)
    began_s = time.monotonic()
    try:
        async with asyncio.timeout(SHORT_S + LATE_S):
            while True:
                try:
                    if not await asyncio.wait_for(reader.read(4096), 0.2):
                        break
                except TimeoutError:
                    writer.write(trickle)
    except (ConnectionError, ssl.SSLError):
        pass
    writer.transport.abort()
    return time.monotonic() - began_s


async def test_slow_clients_are_cut_off_and_a_stream_that_rests_meanwhile_goes_on_at_once(impatient: Nginx) -> None:
    head = b"POST /v1/messages HTTP/1.1\r\nHost: 127.0.0.1\r\n"
    async with httpx.AsyncClient(base_url=impatient.url, verify=impatient.trusting, timeout=20) as client:
        assert (await client.post("/v1/messages", json=_messages(0))).json()["stored"] == 1
        async with client.stream("GET", "/v1/live") as answer:
            stream = Listener(answer)
            assert (await stream.next()).name == "anew"
            taken_s = await asyncio.gather(
                _cut_off_after_s(impatient, head, b"X-More: 1\r\n"),
                _cut_off_after_s(impatient, head + b"Content-Length: 999\r\n\r\n{", b""),
            )
            assert (await client.get("/health/ready")).status_code == 200
            sent_s = time.monotonic()
            assert (await client.post("/v1/messages", json=_messages(1))).json()["stored"] == 1
            await stream.until("state", state="fault", reason="clamp-force")
            assert time.monotonic() - sent_s < 1
    assert all(SHORT_S * 0.8 < one < SHORT_S + LATE_S for one in taken_s)
