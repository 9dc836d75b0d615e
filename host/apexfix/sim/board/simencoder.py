"""The magnetic encoder on a stand's axis at the level of its registers (MicroPython).

The host has computed the day's angles; a negative one is a magnet out of reach. Registers: ams AS5600 data sheet, register map (from
memory): STATUS 0Bh with MH (bit 3), ML (bit 4), MD (bit 5); RAW ANGLE 0Ch, 0Dh; ANGLE 0Eh, 0Fh; ZPOS, MPOS, MANG and CONF before them.
"""

from simimu import Samples
from simworld import scenario

_STATUS = 0x0B
_TOO_WEAK = 0x10
_MAGNET = 0x20


class As5600:
    address = 0x36

    def __init__(self, angles):
        self._angles = angles
        self.registers = bytearray(128)

    def latch(self, register, count, world_us):
        """Bring status and angles up to date if a read touches them; allocates nothing."""
        if register > 0x0F or register + count <= _STATUS:
            return
        angle = self._angles.chunk[self._angles.locate(world_us, 1)]
        registers = self.registers
        registers[_STATUS] = _TOO_WEAK if angle < 0 else _MAGNET
        if angle < 0:
            angle = 0
        registers[0x0C] = registers[0x0E] = angle >> 8
        registers[0x0D] = registers[0x0F] = angle & 0xFF

    def write(self, register, value):
        if register < _STATUS:
            self.registers[register] = value


class Nothing:
    """A stand without an encoder."""

    address = -1


_angles_file = scenario.get("angles_file")
encoder = As5600(Samples(_angles_file, scenario["samples_start_us"], 1)) if _angles_file else Nothing()
