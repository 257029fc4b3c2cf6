"""The REST API as a whole, on both databases, with a clock that stands still."""
