"""Flies a long day on the unit's own firmware in a stand-in's time (MicroPython): `micropython fill_log.py FLIGHTS`.

Run it in an empty folder, which becomes the flash. Each flight is a backsight and a mark with its whole window, of counts that are
never twice the same.
"""

import os
import sys

import desk
import machine
from power import granted, until_saved
from unit.app import App

SECOND_US = 1000000


def noisy_counts():
    a, b, c, x, y, z = (byte - 128 for byte in os.urandom(6))
    desk.rest((a, b, 16384 + c), (x, y, z))


def fly(app):
    """A backsight, four seconds, a mark, and until both are saved; every 10 ms the sensor says something else."""
    for kind in ("reference", "mark"):
        for _ in range(400):
            noisy_counts()
            while app.turn():
                pass
            machine.advance(10000)
        granted(app, "press " + kind)
    for _ in range(120):
        noisy_counts()
        while app.turn():
            pass
        machine.advance(10000)
    until_saved(app)


def main():
    app = App()
    for _ in range(int(sys.argv[1])):
        fly(app)
    app.stop()


main()
