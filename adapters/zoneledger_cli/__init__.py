"""The commands of zoneledger: the one place where the service and its adapters meet."""
