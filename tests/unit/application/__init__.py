"""Tests of the use cases on the in-memory store."""
