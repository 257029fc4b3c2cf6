"""Real servers for tests, each on a free port and with a directory of its own."""
