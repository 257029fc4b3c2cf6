"""The shipped configuration of the broker; tests/deployment holds the rest of what is shipped."""

from tests.servers.mosquitto import Mosquitto


def test_mosquitto_takes_the_shipped_configuration_without_a_complaint(own_mosquitto: Mosquitto) -> None:
    assert "Error" not in own_mosquitto.log()
    assert "Warning" not in own_mosquitto.log()
