"""How true an angle is that is read on a stand's axis: an encoder whose magnet runs beside the axis, and a stand that leans.

First table: the field of a small magnet that runs beside the axis, read by a chip as far beside it, in steps of a 4096th of a
turn with the noise of an AS5600 (`apexfix.sim.stand`); then `calibrate/encoder.py` from twelve marks met within 0.2 degrees. The
error is that of the angle turned between a target and a mark, drawn at random. `e/s` is the mean square of error over stated sigma.

Second table: the azimuth of a mark as a day has it (`apexfix.on_axis`), from one backsight near the horizon, held to 0.2 degrees.
The same encoder, on a stand that was levelled to 0.3 degrees each way and whose second axis and tube are 0.3 degrees from square (1
sigma); with and without twelve marks for the encoder, with and without the turn of a clamped tube through the horizon.

    python bench/stand_axis.py [stands]
"""

import sys
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np

from apexfix.calibrate.encoder import Eccentricity, fit_eccentricity, nominal_eccentricity, reading_rad
from apexfix.calibrate.stand import SIGMA_LEVELLED_RAD, StandAxis, stand_axis
from apexfix.geometry import wrapped
from apexfix.on_axis import SIGMA_SQUARE_RAD, encoder_zero
from apexfix.sim import stand
from apexfix.stands import SIGMA_CLAMPED_RAD, Levelled, LogKey, Sight, Stands
from apexfix.units import DEG

STANDS = 400
BESIDE_MM = (0.0, 0.1, 0.3, 0.5)
HIGH_DEG = (10.0, 45.0, 60.0, 75.0)
LOG = LogKey("serial", "log")
MARKS_RAD = np.arange(0, 360, 30) * DEG
DIRECTIONS_RAD = np.arange(0, 360, 45) * DEG
SIGMA_MARK_RAD = 0.2 * DEG
SIGMA_AIM_RAD = 0.2 * DEG


@dataclass(frozen=True)
class Case:
    """What was done with a stand before the day."""

    name: str
    marks: bool
    turn: bool


CASES = (
    Case("twelve marks, turned", True, True),
    Case("twelve marks, levelled alone", True, False),
    Case("no marks, turned", False, True),
)


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


def lean_of(rng: np.random.Generator, own: stand.Stand, encoder: Eccentricity) -> StandAxis:
    """Return the lean that a clamped tube shows in eight directions."""
    forward = stand.pointed(own, DIRECTIONS_RAD, 3 * DEG).apply([1.0, 0.0, 0.0])
    elevations = np.arcsin(forward[:, 2]) + rng.normal(0, SIGMA_CLAMPED_RAD, len(forward))
    return stand_axis(encoder.angle_rad(read(rng, own, DIRECTIONS_RAD)), elevations, SIGMA_CLAMPED_RAD)


def mark_error(rng: np.random.Generator, case: Case, high_deg: float) -> tuple[float, float]:
    """Return the error of one mark's azimuth, and the sigma stated for it."""
    levelled, (square, tube) = rng.normal(0, SIGMA_LEVELLED_RAD, 2), rng.normal(0, SIGMA_SQUARE_RAD, 2)
    own = drawn(rng, BESIDE_MM[2], float(np.hypot(*levelled)))
    own = replace(own, beside_square_rad=float(square), beside_tube_rad=float(tube))
    marks = MARKS_RAD + rng.normal(0, SIGMA_MARK_RAD, 12)
    encoder = fit_eccentricity(read(rng, own, MARKS_RAD), marks, SIGMA_MARK_RAD).eccentricity if case.marks else None
    azimuth, elevation = rng.uniform(0, 2 * np.pi, 2), np.array([1.0, high_deg]) * DEG
    aimed = azimuth + np.array([rng.normal(0, SIGMA_AIM_RAD), 0.0])
    turned = np.array([stand.aimed(own, *sight)[0] for sight in zip(aimed, elevation, strict=True)])
    readings = read(rng, own, turned)
    turns = {LOG: (Levelled(1, 1, lean_of(rng, own, encoder or nominal_eccentricity())),)} if case.turn else {}
    stands = Stands({(LOG, 9): float(readings[1])}, {LOG: (Sight(0, float(readings[0]), float(elevation[0])),)}, turns, ())
    pressed = SimpleNamespace(
        station=SimpleNamespace(reference_azimuth_rad=float(azimuth[0])),
        run=SimpleNamespace(boot=LOG),
        press=SimpleNamespace(t_us=1, sequence=9),
        in_force=SimpleNamespace(calibration=SimpleNamespace(encoder=encoder)),
        heading_rad=0.0,
        elevation_rad=float(elevation[1]),
    )
    zero = encoder_zero(pressed, stands, SIGMA_AIM_RAD)
    return float(wrapped(zero.azimuth_minus_heading_rad - azimuth[1])), zero.sigma_rad


def judged(errors: np.ndarray, sigmas: np.ndarray) -> list[float]:
    """Return the rms of errors and of stated sigmas in degrees, and the mean square of error over sigma."""
    rms = [float(np.sqrt(np.mean(part**2))) / DEG for part in (errors, sigmas)]
    return [*rms, float(np.mean((errors / sigmas) ** 2))]


def encoder_row(beside_mm: float, stands: int) -> list[float]:
    """Return the rms as read, and `judged` of the corrected angles, over many stands."""
    drawings = [encoder_errors(rng, beside_mm) for rng in np.random.default_rng(7).spawn(stands)]
    raw, fitted, sigma = np.array(drawings).T
    return [float(np.sqrt(np.mean(raw**2))) / DEG, *judged(fitted, sigma)]


def mark_row(case: Case, high_deg: float, stands: int) -> list[float]:
    """Return `judged` of the azimuths of marks over many stands."""
    return judged(*np.array([mark_error(rng, case, high_deg) for rng in np.random.default_rng(8).spawn(stands)]).T)


def main() -> None:
    """Print both tables."""
    stands = int(sys.argv[1]) if len(sys.argv) > 1 else STANDS
    print(f"degrees rms, {stands} stands a row; a step of twelve bits is 0.088")
    print(f"{'magnet and chip beside the axis':<36} {'as read':>8} {'corrected':>10} {'stated':>7} {'e/s':>6}")
    for beside_mm in BESIDE_MM:
        print("{:<36} {:8.3f} {:10.3f} {:7.3f} {:6.2f}".format(f"{beside_mm} mm", *encoder_row(beside_mm, stands)))
    print(f"\n{'azimuth of a mark, 0.3 mm, at':<36} {'':>8} {'error':>10} {'stated':>7} {'e/s':>6}")
    for case in CASES:
        for high_deg in HIGH_DEG:
            print("{:<36} {:>7}° {:10.3f} {:7.3f} {:6.2f}".format(case.name, f"{high_deg:.0f}", *mark_row(case, high_deg, stands)))


if __name__ == "__main__":
    main()
