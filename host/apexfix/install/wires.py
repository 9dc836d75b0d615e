"""Which wire to look at: pins from the firmware's own list, colours as in hardware/wiring.csv (a test holds the two together)."""

import ast
from collections.abc import Mapping
from pathlib import Path
from typing import Final

# name in pins.py -> colour of the wire, and what is at its other end
COLOURS: Final = {
    "IMU_SDA": ("blue", "SDA of the IMU"),
    "IMU_SCL": ("orange", "SCL of the IMU"),
    "MARK_BUTTON": ("green", "the MARK button"),
    "REFERENCE_BUTTON": ("purple", "the REFERENCE button"),
    "BUZZER": ("brown", "+ of the buzzer"),
}
IMU_POWER: Final = "red, 3V3 to VCC of the IMU; black, GND to GND of the IMU"


def pin_numbers(firmware: Path) -> dict[str, int]:
    """Return the whole-number constants of ``pins.py``: what the firmware that is installed from here uses."""
    tree = ast.parse((firmware / "pins.py").read_text(encoding="utf-8"))
    constants = {}
    for statement in tree.body:
        match statement:
            case ast.Assign(targets=[ast.Name(id=name)], value=ast.Constant(value=int() as value)):
                constants[name] = value
    return constants


def wire(name: str, pins: Mapping[str, int]) -> str:
    """Return one wire in words, such as "green, GP14 to the MARK button"."""
    colour, end = COLOURS[name]
    return f"{colour}, GP{pins[name]} to {end}"


def imu_wires(pins: Mapping[str, int]) -> str:
    """Return the four wires of the sensor in words."""
    return f"{wire('IMU_SDA', pins)}; {wire('IMU_SCL', pins)}; {IMU_POWER}"
