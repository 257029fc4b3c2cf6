"""Lets `python -m zoneledger_cli` stand for `zoneledger`."""

from zoneledger_cli.main import app

app()
