"""One router for each noun of the API."""
