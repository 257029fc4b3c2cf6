"""Speaks MQTT with the shop floor: takes the cells' messages in, and sends them for simulated cells."""
