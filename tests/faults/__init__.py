"""Faults with real processes: what is killed, lost or slow, and what has to survive it."""
