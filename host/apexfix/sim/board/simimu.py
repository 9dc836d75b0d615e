"""Inertial sensors at the level of their registers (MicroPython).

The host has computed the day's counts at the finest ranges; what a read returns follows from the registers that the firmware wrote:
identity, sleep, reset, ranges, output rate, byte order. Low-pass filters are not modelled; the noise in the file is that behind one of
about 40 Hz. Registers: InvenSense RM-MPU-6000A rev 4.2 and ST DocID/DS12814 (LSM6DSOX), from memory and public driver sources.
"""

from array import array
from struct import pack_into

from simworld import real_open, scenario

_COLUMNS = 7  # accelerometer x y z, gyroscope x y z, temperature in hundredths of a degree
_CHUNK = 400  # samples held in memory: two seconds
_GRID_HZ = 200


class Samples:
    """The day's counts, read from the file piece by piece."""

    def __init__(self, path, start_us, columns):
        self._file = real_open(path, "rb")
        self._columns = columns
        self._count = self._file.seek(0, 2) // (4 * columns)
        self._start_us = start_us
        self._first = -_CHUNK
        self.chunk = array("i", [0] * (_CHUNK * columns))

    def locate(self, world_us, step):
        """Return the place in `chunk` of the newest sample at a world time; allocates nothing."""
        index = (world_us - self._start_us) * _GRID_HZ // 1_000_000
        index -= index % step
        if index < 0:
            index = 0
        if index >= self._count:  # after the scripted day: the last two seconds again and again
            index = self._count - _CHUNK + index % _CHUNK
        if not 0 <= index - self._first < _CHUNK:
            self._first = index - index % _CHUNK
            self._file.seek(self._first * 4 * self._columns)
            self._file.readinto(self.chunk)
        return (index - self._first) * self._columns


class Part:
    """A register file; a derived part says where its data lie and what its settings mean."""

    def __init__(self, samples):
        self.samples = samples
        self.registers = bytearray(128)
        self.reset()

    def latch(self, register, count, world_us):
        """Bring the data registers up to date if a read touches them; allocates nothing."""
        if register >= self.data + 14 or register + count <= self.data:
            return
        if self.asleep():
            return
        place = self.samples.locate(world_us, self.step)
        self.fill(place)

    def put_three(self, at, place, shift):
        """Write three counts, each halved `shift` times and rounded; beyond the range they stick at its end."""
        chunk = self.samples.chunk
        half = 1 << shift >> 1
        x = chunk[place] + half >> shift
        y = chunk[place + 1] + half >> shift
        z = chunk[place + 2] + half >> shift
        if not (-32769 < x < 32768 and -32769 < y < 32768 and -32769 < z < 32768):
            x = max(-32768, min(32767, x))
            y = max(-32768, min(32767, y))
            z = max(-32768, min(32767, z))
        pack_into(self.three, self.registers, at, x, y, z)


class Mpu6050(Part):
    address = 0x68
    data = 0x3B
    one = ">h"  # the high byte comes first
    three = ">3h"

    def reset(self):
        for i in range(128):
            self.registers[i] = 0
        self.registers[0x75] = scenario.get("identity") or 0x68
        self.registers[0x6B] = 0x40
        self.registers[0x3A] = 1
        self.settle()

    def write(self, register, value):
        if register == 0x6B and value & 0x80:
            self.reset()
        elif register not in (0x3A, 0x75) and not self.data <= register < self.data + 14:
            self.registers[register] = value
            self.settle()

    def settle(self):
        self.accel_shift = self.registers[0x1C] >> 3 & 3
        self.gyro_shift = self.registers[0x1B] >> 3 & 3
        wide = self.registers[0x1A] & 7 in (0, 7)
        self.step = max(1, _GRID_HZ * (1 + self.registers[0x19]) // (8000 if wide else 1000))

    def asleep(self):
        return self.registers[0x6B] & 0x40

    def fill(self, place):
        self.put_three(0x3B, place, self.accel_shift)
        pack_into(self.one, self.registers, 0x41, (self.samples.chunk[place + 6] - 3653) * 340 // 100)
        self.put_three(0x43, place + 3, self.gyro_shift)


class Lsm6dsox(Part):
    address = 0x6A
    data = 0x20
    one = "<h"  # the low byte comes first
    three = "<3h"

    def reset(self):
        for i in range(128):
            self.registers[i] = 0
        self.registers[0x0F] = scenario.get("identity") or 0x6C
        self.registers[0x12] = 0x04
        self.registers[0x1E] = 0x07
        self.settle()

    def write(self, register, value):
        if register == 0x12 and value & 1:
            self.reset()
        elif register not in (0x0F, 0x1E) and not self.data <= register < self.data + 14:
            self.registers[register] = value
            self.settle()

    def settle(self):
        accel, gyro = self.registers[0x10], self.registers[0x11]
        self.accel_shift = (0, 3, 1, 2)[accel >> 2 & 3]
        self.gyro_shift = 0 if gyro & 2 else 1 + (gyro >> 2 & 3)
        rate_hz = (1, 12, 26, 52, 104, 208, 416, 833, 1666, 3333, 6666)[min(accel >> 4, 10)]
        self.step = max(1, _GRID_HZ // rate_hz)

    def asleep(self):
        return not self.registers[0x10] >> 4

    def fill(self, place):
        pack_into(self.one, self.registers, 0x20, (self.samples.chunk[place + 6] - 2500) * 256 // 100)
        if self.registers[0x11] >> 4:
            self.put_three(0x22, place + 3, self.gyro_shift)
        self.put_three(0x28, place, self.accel_shift)


class Nothing(Part):
    """An empty bus."""

    address = -1
    data = 0

    def reset(self):
        pass

    def asleep(self):
        return True


_PARTS = {"MPU-6050": Mpu6050, "LSM6DSOX": Lsm6dsox, "none": Nothing}
part = _PARTS[scenario["part"]](Samples(scenario["samples_file"], scenario["samples_start_us"], _COLUMNS))
