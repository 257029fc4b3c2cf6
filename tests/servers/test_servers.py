"""What a test is told where a server's program is missing."""

import pytest

from tests.servers.fixtures import REQUIRE, lend
from tests.servers.mosquitto import Mosquitto
from tests.servers.programs import INSTALL, accepts_connections, find_program, free_port


class _Missing(Mosquitto):
    def __init__(self) -> None:
        find_program("a-program-that-nobody-has")


def test_a_missing_program_skips_and_names_the_command_that_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(REQUIRE, raising=False)
    with pytest.raises(pytest.skip.Exception, match=INSTALL):
        next(lend(_Missing))


def test_a_missing_program_fails_where_servers_are_required(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(REQUIRE, "1")
    with pytest.raises(pytest.fail.Exception, match=INSTALL):
        next(lend(_Missing))


def test_servers_listen_on_ports_that_are_free_and_not_standard() -> None:
    port = free_port()
    assert not accepts_connections(port)
    assert port not in {1883, 5432, 8000, 8883}
