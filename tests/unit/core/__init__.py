"""Tests of the pure core, a few functions at a time."""
