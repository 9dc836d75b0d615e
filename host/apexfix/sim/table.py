"""A unit that lies on a table: what its sensor feels, for as long as anybody looks."""

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from apexfix.sim import imu
from apexfix.sim.virtual_unit import Hardware

_SECONDS: Final = 10  # the simulated sensor repeats the end of its recording
_CELSIUS: Final = 20.0
_PERFECT: Final = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))


def on_a_table(folder: Path, **changes: Any) -> Hardware:
    """Return the hardware of a unit with a good MPU-6050 that lies level, right way up; its samples are written into a folder.

    Parameters
    ----------
    changes
        Fields of ``Hardware`` that are otherwise.
    """
    folder.mkdir(parents=True, exist_ok=True)
    count = _SECONDS * imu.SAMPLE_HZ
    motion = (np.tile([0.0, 0.0, 1.0], (count, 1)), np.zeros((count, 3)), np.full(count, _CELSIUS))
    path = folder / "samples.bin"
    imu.counts(np.random.default_rng(5), imu.MPU6050, _PERFECT, motion).tofile(path)
    return replace(Hardware("0011223344556677", "MPU-6050", path, 0), **changes)
