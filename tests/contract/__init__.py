"""One suite per port, run on every implementation of it."""
