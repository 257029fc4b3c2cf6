"""The demo, which newcomers run first: its figures equal the truth, it says where it is asked, and ends when it is told to."""

import os
import re
import signal
import socket
from pathlib import Path

import httpx
import pytest

from tests.faults.launching import fork_command
from tests.servers.programs import free_port, wait_until


def _words(log: Path) -> str:
    """Return what was told so far, however its lines were broken."""
    return " ".join(log.read_text().split()) if log.exists() else ""


def test_a_shift_is_shown_whose_figures_equal_the_truth_and_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    log = tmp_path / "told"
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert fork_command(["demo", "--once", "--cells", "1", "--port", str(port)], {}, log).wait(120) == 0
    told = _words(log)
    equal = re.search(r"All (\d+) times and counts equal the simulator's own truth\.", told)
    assert equal, told
    assert int(equal[1]) >= 9
    assert f"Port {port} is taken by another program: this one is asked on http://127.0.0.1:" in told
    assert "(invented data)" in told
    assert "Traceback" not in told


@pytest.mark.parametrize("told_by", [signal.SIGINT, signal.SIGTERM])
def test_it_goes_on_live_until_it_is_told_to_end_and_leaves_nothing(tmp_path: Path, told_by: signal.Signals) -> None:
    log, port, folder = tmp_path / "told", free_port(), tmp_path / "temporary"
    folder.mkdir()
    demo = fork_command(["demo", "--cells", "1", "--port", str(port)], {"TMPDIR": str(folder)}, log)
    try:
        wait_until(lambda: "/openapi.json" in _words(log), "the demo is live, and has named its last page", 120)
        assert "Live now, until Ctrl-C" in _words(log)
        assert "is taken" not in _words(log)
        pages = re.findall(rf"http://127\.0\.0\.1:{port}/\S*", _words(log))
        assert len(pages) >= 6
        assert {httpx.get(page, timeout=60).status_code for page in pages} == {200}
        assert [one.name for one in folder.iterdir() if one.name.startswith("zoneledger-demo-")]
    finally:
        os.kill(demo.pid, told_by)
    assert demo.wait(60) == 0
    assert list(folder.iterdir()) == []
    assert "Traceback" not in _words(log)
