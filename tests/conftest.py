"""What all tests share: real servers on spare ports."""

pytest_plugins = ["tests.servers.fixtures"]
