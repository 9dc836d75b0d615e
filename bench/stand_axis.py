"""How true an angle is that is read on a stand's axis: an encoder whose magnet runs beside the axis, and a stand that leans.

First table: the field of a small magnet that runs beside the axis, read by a chip as far beside it, in steps of a 4096th of a
turn with the noise of an AS5600 (`apexfix.sim.stand`); then `calibrate/encoder.py` from twelve marks met within 0.2 degrees. The
error is that of the angle turned between a target and a mark, drawn at random. `e/s` is the mean square of error over stated sigma.

Second table: the same encoder on a stand that leans by half a degree, as it is used: eccentricity from twelve marks, the lean from
a clamped tube turned through the horizon in eight directions, then a target near the horizon and a mark high up.

    python bench/stand_axis.py [stands]
"""

import sys
from collections.abc import Callable

import numpy as np

from apexfix.calibrate.encoder import fit_eccentricity, reading_rad
from apexfix.calibrate.stand import level_azimuth, sigma_turned, stand_axis
from apexfix.geometry import wrapped
from apexfix.sim import stand
from apexfix.units import DEG

STANDS = 400
BESIDE_MM = (0.0, 0.1, 0.3, 0.5)
HIGH_DEG = (0.0, 30.0, 60.0, 75.0)
MARKS_RAD = np.arange(0, 360, 30) * DEG
DIRECTIONS_RAD = np.arange(0, 360, 45) * DEG
SIGMA_MARK_RAD = 0.2 * DEG
SIGMA_ELEVATION_RAD = 0.05 * DEG
LEAN_RAD = 0.5 * DEG


def drawn(rng: np.random.Generator, beside_mm: float, lean_rad: float) -> stand.Stand:
    """Return a stand whose chip and magnet are so far beside its axis."""
    return stand.Stand(
        lean_rad=lean_rad,
        towards_rad=float(rng.uniform(0, 2 * np.pi)),
        chip_mm=stand.beside(rng, beside_mm),
        magnet_mm=stand.beside(rng, beside_mm),
        zero_rad=float(rng.uniform(0, 2 * np.pi)),
    )


def read(rng: np.random.Generator, own: stand.Stand, turn_rad: np.ndarray) -> np.ndarray:
    """Return what the encoder shows."""
    return reading_rad(stand.counts(rng, own, turn_rad))


def encoder_errors(rng: np.random.Generator, beside_mm: float) -> tuple[float, float, float]:
    """Return the errors of one angle turned, as read and with the eccentricity taken out, and the sigma stated for it."""
    own = drawn(rng, beside_mm, 0.0)
    found = fit_eccentricity(read(rng, own, MARKS_RAD), MARKS_RAD + rng.normal(0, SIGMA_MARK_RAD, 12), SIGMA_MARK_RAD).eccentricity
    turned = rng.uniform(0, 2 * np.pi, 2)
    ends = read(rng, own, turned)
    raw, fitted = (float(wrapped(np.diff(angles)[0] - np.diff(turned)[0])) for angles in (ends, found.angle_rad(ends)))
    return raw, fitted, float(found.sigma_rad(ends[0], ends[1]))


def stand_errors(rng: np.random.Generator, high_deg: float) -> tuple[float, float, float]:
    """Return the errors of one azimuth, as turned and with the lean taken out, and the sigma stated for it."""
    own = drawn(rng, 0.3, LEAN_RAD)
    found = fit_eccentricity(read(rng, own, MARKS_RAD), MARKS_RAD + rng.normal(0, SIGMA_MARK_RAD, 12), SIGMA_MARK_RAD).eccentricity
    level = stand.pointed(own, DIRECTIONS_RAD, 3 * DEG).apply([1.0, 0.0, 0.0])
    elevations = np.arcsin(level[:, 2]) + rng.normal(0, SIGMA_ELEVATION_RAD, len(level))
    axis = stand_axis(found.angle_rad(read(rng, own, DIRECTIONS_RAD)), elevations, SIGMA_ELEVATION_RAD)
    azimuth, elevation = rng.uniform(0, 2 * np.pi, 2), np.array([1.0, high_deg]) * DEG
    turned = np.array([stand.aimed(own, *sight)[0] for sight in zip(azimuth, elevation, strict=True)])
    readings = read(rng, own, turned)
    angles = found.angle_rad(readings)
    raw, fitted = (
        float(wrapped(np.diff(ends)[0] - np.diff(azimuth)[0])) for ends in (angles, level_azimuth(axis, angles, elevation))
    )
    lean = float(sigma_turned(axis, angles, elevation))
    return raw, fitted, float(np.hypot(found.sigma_rad(readings[0], readings[1]), lean))


def row(errors: Callable[[np.random.Generator, float], tuple[float, float, float]], value: float, stands: int) -> list[float]:
    """Return rms of raw errors, fitted errors and stated sigmas in degrees, and the mean square of error over sigma."""
    raw, fitted, sigma = np.array([errors(rng, value) for rng in np.random.default_rng(7).spawn(stands)]).T
    return [*(float(np.sqrt(np.mean(part**2))) / DEG for part in (raw, fitted, sigma)), float(np.mean((fitted / sigma) ** 2))]


def main() -> None:
    """Print both tables."""
    stands = int(sys.argv[1]) if len(sys.argv) > 1 else STANDS
    print(f"degrees rms, {stands} stands a row; a step of twelve bits is 0.088")
    print(f"{'magnet and chip beside the axis':<36} {'as read':>8} {'corrected':>10} {'stated':>7} {'e/s':>6}")
    for beside_mm in BESIDE_MM:
        print("{:<36} {:8.3f} {:10.3f} {:7.3f} {:6.2f}".format(f"{beside_mm} mm", *row(encoder_errors, beside_mm, stands)))
    print(f"\n{'0.3 mm, leaning 0.5 degrees, mark at':<36} {'no lean':>8} {'corrected':>10} {'stated':>7} {'e/s':>6}")
    for high_deg in HIGH_DEG:
        print("{:<36} {:8.3f} {:10.3f} {:7.3f} {:6.2f}".format(f"{high_deg:.0f} degrees", *row(stand_errors, high_deg, stands)))


if __name__ == "__main__":
    main()
