"""The pure parts of the MQTT adapter."""
