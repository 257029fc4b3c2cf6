"""Simulated cells, with their own truth, that speak the message contract to a broker or over HTTP."""
