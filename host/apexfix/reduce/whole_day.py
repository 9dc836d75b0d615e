"""The fits of a day, with what its flights together say about the zeros and the places of the stations.

One wrong reading must not bend a zero, and a wrong zero must not look like one wrong reading in every flight. So the flights are
first settled alone; a reading that was accused there is left out of the adjustment unless its station is accused of the same in
flight after flight, which is the mark of a zero. Then all flights are adjusted together, and settled again with the zeros applied.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.errors import ReductionError
from apexfix.model import Vector
from apexfix.reduce.adjust import ZEROS, Correction, DayAdjustment, adjust_day
from apexfix.reduce.flight import Fit, fits
from apexfix.reduce.interval import stretched
from apexfix.reduce.options import Options
from apexfix.reduce.robust import ALPHA_GLOBAL, CRITICAL_W
from apexfix.reduce.sightline import Mask
from apexfix.reduce.solve import Batch
from apexfix.reduce.uncertainty import Sigmas

Flights = NDArray[np.bool_]  # (F,)

LEAST_STATIONS: Final = 3  # with two, a zero and a drift of all flights look the same
LEAST_FLIGHTS: Final = 3
_SYSTEMATIC: Final = 0.3  # share of a station's flights; a reading accused this often, and more than once, has a wrong zero
_ROUNDS: Final = 5  # two nearly always do


@dataclass(frozen=True, slots=True)
class Settled:
    """The fits of a day and the readings behind them."""

    batch: Batch  # with the zeros of the day taken out, where they were applied
    fits: tuple[Fit, ...]
    stated: Batch  # without what is let go, which is known as well as the day knows it; every flight stands alone in it
    let_go: tuple[Correction, ...]  # zeros whose stated sigma the day contradicts
    remarks: tuple[str, ...]


def settled(batch: Batch, options: Options) -> Settled:
    """Return the fits of all flights of a day."""
    alone = tuple(fits(batch, options))
    solved = sum(bool(own.solution.fixes.solved[0]) for own in alone)
    if not options.whole_day or len(batch.stations) < LEAST_STATIONS or solved < LEAST_FLIGHTS:
        return Settled(batch, alone, batch, (), ())
    kept = _without_single_blunders(batch, alone)
    try:
        return _together(batch, alone, kept, options)
    except ReductionError as error:
        return Settled(batch, alone, batch, (), (f"each flight stands alone: {error}",))


def standing_alone(batch: Batch, options: Options, why: str) -> Settled:
    """Return the fits of flights that are not adjusted together, with a remark that says why."""
    return Settled(batch, tuple(fits(batch, options)), batch, (), (why,))


def _without_single_blunders(batch: Batch, alone: tuple[Fit, ...]) -> Mask:
    """Return the (F, N, 2) readings that the adjustment may use."""
    kept, present = np.stack([own.kept for own in alone]), batch.present
    accused = present & ~kept
    count = accused.sum(axis=0)
    systematic = (count > 1) & (count >= _SYSTEMATIC * present.sum(axis=0))
    together: Mask = kept | (systematic & present)
    return together


def _together(batch: Batch, alone: tuple[Fit, ...], kept: Mask, options: Options) -> Settled:
    for _ in range(_ROUNDS):
        day = adjust_day(batch, kept, options)
        if not _helps(day):
            return Settled(batch, alone, batch, (), day.remarks)
        corrected = _corrected(batch, day)
        again = fits(corrected, options)
        found = np.stack([own.kept for own in again])
        as_used = np.all(found == kept, axis=(1, 2))
        if as_used.all():
            break
        kept = found
    answers = _joint_or_alone(batch, again, day, as_used, options)
    remarks = (_applied(as_used), *day.remarks)
    return Settled(corrected, answers, without_flagged(batch, day.flagged), day.flagged, remarks)


def _applied(as_used: Flights) -> str:
    count, alone = len(as_used), int(np.sum(~as_used))
    if not alone:
        return f"the zeros of the day are taken out of the readings of all {count} flights"
    which = ", ".join(str(row) for row in np.flatnonzero(~as_used) + 1)
    return (
        f"the zeros of the day are taken out of the readings of {count - alone} flights; of the {count} in their order, {which} "
        "would then leave out other readings than the adjustment did, and stand alone"
    )


def _helps(day: DayAdjustment) -> bool:
    """Return whether the flights are better off together: a zero is plainly wrong, or none is and the readings say something.

    A zero that is let go on weak grounds costs more height than it mends.
    """
    if day.flagged:
        return all(abs(c.w) >= CRITICAL_W for c in day.flagged)
    return any(c.told for c in day.corrections) and day.probability >= ALPHA_GLOBAL


def _corrected(batch: Batch, day: DayAdjustment) -> Batch:
    """Return the readings with the zeros taken out and the stations in their adjusted places.

    The sigmas of both are 0: how well they are known is in the covariance of the adjustment.
    """
    place = np.array([c.value for c in day.corrections]).reshape(len(batch.stations), -1)[:, ZEROS:]
    common = ("sigma_azimuth_zero_rad", "sigma_elevation_zero_rad", "sigma_position_m")
    stated = replace(batch.stated, **{name: 0 * getattr(batch.stated, name) for name in common})
    return Batch(
        batch.stations,
        batch.station_m + place,
        batch.azimuth_rad - day.azimuth_zero_rad,
        batch.elevation_rad - day.elevation_zero_rad,
        stated,
    )


def _joint_or_alone(batch: Batch, again: list[Fit], day: DayAdjustment, as_used: Flights, options: Options) -> tuple[Fit, ...]:
    """Return the fits with the covariance of the day, where the day has adjusted just the readings that they keep."""
    solved = np.array([bool(own.solution.fixes.solved[0]) for own in again])
    took_part = np.isfinite(day.position_m[:, 0]) & solved & as_used
    each = zip(again, day.covariance_m2, took_part, strict=True)
    answers = [_joint(own, covariance) if took else own for own, covariance, took in each]
    others = np.flatnonzero(~took_part)
    if others.size:
        # the zeros are not known to be independent here, so that only those that are plainly wrong are corrected
        for row, own in zip(others, fits(without_flagged(batch, day.flagged).take(others), options), strict=True):
            answers[row] = own
    return tuple(answers)


def _joint(own: Fit, covariance_m2: Vector) -> Fit:
    """Return a fit with the covariance that holds the zeros, and its interval stretched to match."""
    if own.between_m2 is not None:
        covariance_m2 = covariance_m2 + own.between_m2
    factor = sqrt(covariance_m2[2, 2] / own.covariance_m2[2, 2])
    height = float(own.solution.fixes.position_m[0, 2])
    return replace(own, covariance_m2=covariance_m2, interval_m=stretched(own.interval_m, height, factor))


def without_flagged(batch: Batch, flagged: tuple[Correction, ...]) -> Batch:
    """Return the readings without the zeros that the day contradicts, known as well as the day knows them."""
    azimuth, elevation = batch.azimuth_rad.copy(), batch.elevation_rad.copy()
    stated = {part.name: getattr(batch.stated, part.name).copy() for part in fields(Sigmas)}
    readings: Mapping[str, tuple[Vector, Vector]] = {
        "azimuth zero": (azimuth, stated["sigma_azimuth_zero_rad"]),
        "elevation zero": (elevation, stated["sigma_elevation_zero_rad"]),
    }
    for correction in flagged:
        reading, sigma = readings[correction.quantity]
        column = batch.stations.index(correction.station)
        reading[:, column] -= correction.value
        sigma[:, column] = correction.sigma
    return replace(batch, azimuth_rad=azimuth, elevation_rad=elevation, stated=Sigmas(**stated))
