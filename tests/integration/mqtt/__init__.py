"""The MQTT adapter against real brokers."""
