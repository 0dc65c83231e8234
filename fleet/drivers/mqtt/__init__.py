"""Devices over MQTT: the open wire contract of `schemas/wire.md`."""
