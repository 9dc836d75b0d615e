"""Hardware of the stand-in board (MicroPython): pins that a test moves, a bus that remembers every byte, timers run by advance()."""

import time


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1
    IRQ_FALLING = 4
    IRQ_RISING = 8
    all = {}

    def __init__(self, id, mode=-1, pull=-1):
        self.id = id
        self.level = 1 if pull == Pin.PULL_UP else 0
        self.handler = None
        Pin.all[id] = self

    def irq(self, handler=None, trigger=0, hard=False):
        self.handler = handler
        self.trigger = trigger

    def value(self, *level):
        if level:
            self.level = level[0]
        return self.level

    def move(self, level):
        """An edge, as the outside world makes it."""
        self.level = level
        if self.handler and self.trigger & (Pin.IRQ_RISING if level else Pin.IRQ_FALLING):
            self.handler(self)


class Part:
    """A sensor with 128 registers. Bits that reset themselves do so at once."""

    def __init__(self, who_register, identity, self_clearing):
        self.registers = bytearray(128)
        self.registers[who_register] = identity
        self.self_clearing = self_clearing  # (register, mask)

    def write(self, register, value):
        clearing, mask = self.self_clearing
        self.registers[register] = value & ~mask if register == clearing else value


def mpu(identity=0x68):
    return Part(0x75, identity, (0x6B, 0x80))


def lsm(identity=0x6C):
    return Part(0x0F, identity, (0x12, 0x01))


def magnet():
    """An AS5600: no identity; STATUS says whether a magnet is there."""
    return Part(0x0B, 0x20, (0x00, 0x00))


class I2C:
    parts = {0x68: mpu()}
    writes = []  # (address, register, bytes) in order
    reads = []  # (address, register, count) in order; burst reads are counted instead: remembering them would allocate
    bursts = 0
    burst = (0, 0)
    broken = False

    def __init__(self, id, sda=None, scl=None, freq=0):
        self.freq = freq

    def scan(self):
        return sorted(I2C.parts)

    def readfrom_mem(self, address, register, count):
        I2C.reads.append((address, register, count))
        part = self._part(address)
        return bytes(part.registers[register : register + count])

    def readfrom_mem_into(self, address, register, buffer):
        if I2C.broken:
            raise OSError(5)
        registers = self._part(address).registers
        i = 0
        while i < len(buffer):
            buffer[i] = registers[register + i]
            i += 1
        I2C.bursts += 1

    def writeto_mem(self, address, register, data):
        I2C.writes.append((address, register, bytes(data)))
        part = self._part(address)
        for i in range(len(data)):
            part.write(register + i, data[i])

    def _part(self, address):
        if address not in I2C.parts or I2C.broken:
            raise OSError(5)
        return I2C.parts[address]


class PWM:
    log = []

    def __init__(self, pin):
        pass

    def freq(self, hertz):
        PWM.log.append(hertz)

    def duty_u16(self, duty):
        PWM.log.append(-duty)

    def deinit(self):
        pass


class Timer:
    PERIODIC = 1
    all = []

    def __init__(self, id):
        self.callback = None
        Timer.all.append(self)

    def init(self, period, mode, callback):
        self.period_us = period * 1000
        self.due_us = time.now.us + self.period_us
        self.callback = callback

    def deinit(self):
        self.callback = None


class ADC:
    def __init__(self, id):
        pass

    def read_u16(self):
        return 33096  # 5.0 V through a third into 3.3 V full scale


def advance(us):
    """Let time pass and run the timers on the way."""
    end = time.now.us + us
    while True:
        due = [timer for timer in Timer.all if timer.callback and timer.due_us <= end]
        if not due:
            break
        timer = min(due, key=lambda timer: timer.due_us)
        time.now.us = max(time.now.us, timer.due_us)
        timer.due_us += timer.period_us
        timer.callback(timer)
    time.now.us = max(time.now.us, end)


def unique_id():
    return b"\xe6\x61\x18\x60\x4b\x1a\x2c\x25"


def idle():
    advance(1000)


def reset():
    raise SystemExit
