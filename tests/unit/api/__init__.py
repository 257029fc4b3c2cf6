"""Unit tests of parts of the API that need no server."""
