"""Simulated loudspeakers and amplifiers: they speak the wire contract over MQTT and know nothing of the fleet tool."""
