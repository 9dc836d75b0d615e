"""Firmware of a sighting unit. What it says and writes is defined in docs/protocol.md."""

VERSION = "0.1.0"
PROTOCOL_LEVEL = 1
