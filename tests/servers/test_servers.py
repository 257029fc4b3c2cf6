"""What a test is told where a server's program is missing."""

import pytest

from tests.servers.drawing import left_out
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


_DRAWN = [
    f"tests/integration/api/test_{n}.py::test_it[{kind}-late]" for n in range(40) for kind in ("sqlite", "postgresql")
]
_ALWAYS = ["tests/contract/test_one.py::test_it[sqlite]", "tests/contract/test_one.py::test_it[postgresql]"]
_ALONE = ["tests/scenarios/test_one.py::test_it[sqlite-1]", "tests/scenarios/test_one.py::test_it[postgresql-2]"]


def test_each_test_on_two_databases_is_drawn_once_on_either_and_others_are_left_alone() -> None:
    out = left_out(_DRAWN + _ALWAYS + _ALONE, has_postgresql=True)
    assert out == left_out(reversed(_DRAWN), has_postgresql=True)
    assert len(out) == len(_DRAWN) / 2 == len({name.partition("[")[0] for name in out})
    assert 10 < sum("sqlite" in name for name in out) < 30


def test_without_postgresql_each_is_drawn_on_sqlite() -> None:
    assert left_out(_DRAWN, has_postgresql=False) == {name for name in _DRAWN if "postgresql" in name}
