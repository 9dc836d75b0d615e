"""The board's hardware, simulated; replaces the built-in module of the same name (MicroPython). Only what the firmware uses."""

import sys

import simflash  # puts the slow flash under open()
from simencoder import encoder
from simimu import part
from simworld import PINS, scenario, world

_TRANSFER_US = 38  # driver overhead: with it a 14-byte burst at 400 kHz takes the 0.42 ms that was measured on a board
_ENODEV = 19


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, id, mode=-1, pull=-1, value=None):
        self.id = id
        self._output = mode == Pin.OUT
        self._value = value or 0

    def irq(self, handler=None, trigger=4 | 8, hard=False):
        if not 0 <= self.id < PINS:
            raise ValueError("no pin %r on the simulated board" % self.id)
        world.pins[self.id] = self
        world.triggers[self.id] = trigger
        world.handlers[self.id] = handler

    def value(self, *level):
        if level:
            self._value = 1 if level[0] else 0
        elif not self._output:
            return world.levels[self.id]
        else:
            return self._value

    __call__ = value

    def on(self):
        self._value = 1

    def off(self):
        self._value = 0


class I2C:
    def __init__(self, id, scl=None, sda=None, freq=400_000):
        self._freq = freq

    def scan(self):
        return sorted([each.address for each in (part, encoder) if each.address >= 0])

    def _transfer(self, address, count):
        world.spend((count + 3) * 9_000_000 // self._freq + _TRANSFER_US)
        if address != part.address and address != encoder.address:
            raise OSError(_ENODEV)

    def readfrom_mem(self, address, register, count):
        buffer = bytearray(count)
        self.readfrom_mem_into(address, register, buffer)
        return bytes(buffer)

    def readfrom_mem_into(self, address, register, buffer):
        found = encoder if address == encoder.address else part
        found.latch(register, len(buffer), world.now_us)
        self._transfer(address, len(buffer))
        registers = found.registers
        i = 0
        while i < len(buffer):
            buffer[i] = registers[(register + i) & 0x7F]
            i += 1

    def writeto_mem(self, address, register, data):
        self._transfer(address, len(data))
        found = encoder if address == encoder.address else part
        for i in range(len(data)):
            found.write(register + i, data[i])


class Timer:
    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1):
        self.due_us = 1 << 61
        self.callback = None

    def init(self, period=-1, mode=1, callback=None, freq=0, hard=False):
        self._period_us = 1_000_000 // freq if freq else period * 1000
        self._periodic = mode == Timer.PERIODIC
        self._due_unit_us = world.unit_us() + self._period_us
        self.callback = callback
        self.due_us = world.world_us(self._due_unit_us)
        if self not in world.timers:
            world.timers.append(self)
        world.plan_tick()

    def step(self):
        """Plan the next tick on the grid of the first: a late tick does not shift the others, as on the board."""
        self._due_unit_us += self._period_us
        self.due_us = world.world_us(self._due_unit_us) if self._periodic else 1 << 61

    def deinit(self):
        self.due_us = 1 << 61
        world.plan_tick()


class PWM:
    def __init__(self, pin, freq=0, duty_u16=0):
        pass

    def freq(self, hertz=0):
        return hertz

    def duty_u16(self, duty=0):
        return duty

    def deinit(self):
        pass


class ADC:
    def __init__(self, id):
        self._id = id.id if isinstance(id, Pin) else id

    def read_u16(self):
        millivolts = world.supply_mv // 3 if self._id in (3, 29) else 706  # a third of the supply; else the core at 27 degrees C
        return min(65535, millivolts * 65535 // 3300)


def unique_id():
    return world.serial


def idle():
    world.idle()


def reset():
    world._report("reset")
    sys.exit(0)
