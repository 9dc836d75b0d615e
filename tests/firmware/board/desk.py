"""What the scripts share (MicroPython): the runner of a script, a unit on a desk, frames taken apart."""

import struct
import sys
from binascii import crc32

import machine
import time


def run(functions):
    """Run every test_... function of a script's globals(); one line each on stdout: `ok NAME` or `failed NAME`, then the traceback."""
    for name in sorted(functions):
        if name.startswith("test_"):
            try:
                functions[name]()
                print("ok", name)
            except Exception as failure:
                print("failed", name)
                sys.print_exception(failure)


def raises(kind, function, *arguments):
    """The text of the error that must come."""
    try:
        function(*arguments)
    except kind as error:
        return str(error)
    raise AssertionError("no %s" % kind)


def rest(accel=(0, 0, 16384), gyro=(0, 0, 0), temperature=0):
    """Put counts into the MPU-6050 on the bus."""
    machine.I2C.parts[0x68].registers[0x3B:0x49] = struct.pack(">hhhhhhh", *(tuple(accel) + (temperature,) + tuple(gyro)))


def spend(app, us, step_us=1000):
    """Let a unit work for a time."""
    end = time.now.us + us
    while time.now.us < end:
        if not app.turn():
            machine.advance(step_us)


def bodies(frames):
    """(kind, tag, payload) of every frame, after undoing COBS and checking the CRC by the book."""
    found = []
    for frame in frames:
        assert frame[0] == 0 and frame[-1] == 0 and 0 not in frame[1:-1], frame
        body = unstuffed(frame[1:-1])
        assert struct.unpack("<I", body[-4:])[0] == crc32(body[:-4])
        found.append((body[0], body[1], bytes(body[2:-4])))
    return found


def unstuffed(data):
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        out.extend(data[at + 1 : at + code])
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    return out
