"""The presses of a flight carried along its arc to the apex, and whether they and the stations' zeros bear the arc out.

An arc through tracks has some hundred samples to spare, and all of them speak of how steadily the tubes were held: its own
chi-square would not notice a zero that is wrong by degrees. Three checks do, each of its own figures alone:

* *zeros*: what the arc needs of each zero, over what was stated of it. The estimate of a zero u with the prior N(0, 1) has the
  variance 1 - c, where c is what the arc leaves of that prior, so that u / sqrt(1 - c) is standard normal (Baarda's w of the
  pseudo-observation that the zero is 0).
* *on the track*: a press against the arc at the press's own instant. Both have the same zero, which drops out.
* *at the apex*: what the model moved between the apex and a press, as its station saw it, is taken out of the reading. Presses that
  came early or late then agree again; those that still disagree do so for another reason.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Final, NamedTuple

import numpy as np
from scipy.special import ndtr

from apexfix.geometry import angles, wrapped
from apexfix.model import FittedTrack, Sighting, Vector
from apexfix.reduce.robust import ALPHA_GLOBAL, excess, global_test
from apexfix.reduce.solve import Batch
from apexfix.reduce.track import Tracked, TrackFix
from apexfix.reduce.uncertainty import Sigmas
from apexfix.units import SECOND_US, US

QUANTITIES: Final = ("azimuth", "elevation")
_LEAST_CHECKED: Final = 0.01  # of a zero's variance; below it the arc says nothing of that zero
_NEAREST_US: Final = SECOND_US // 4  # of the nearest sample to a press
_SLOPE_US: Final = SECOND_US // 10  # half of the time over which a rate is taken


@dataclass(frozen=True, slots=True)
class ZeroCheck:
    """How far the zeros that an arc needs lie from what was stated."""

    station: str  # of the worst
    quantity: str  # one of QUANTITIES
    value_rad: float  # by which it would have to be wrong alone
    w: float  # its size in sigmas, standard normal where all is as stated
    probability: float  # of a worst one as large
    nameable: bool  # with two stations all zeros share one check
    widening: float  # of the sigma of the height, to match; 1 where the zeros may be as stated


@dataclass(frozen=True, slots=True)
class OffTrack:
    """A press that does not lie where the arc has its tube at that instant."""

    station: str  # of the worst
    quantity: str
    value_rad: float
    sigmas: float
    probability: float  # of all presses together


class Arc(NamedTuple):
    """The arc of a flight and what it was fitted to."""

    tracks: Tracked
    fix: TrackFix  # of tracks that have no zeros of the day in them


@dataclass(frozen=True, slots=True)
class AtApex:
    """Readings of one flight as they would have been at its apex."""

    batch: Batch  # of one row
    late_s: Mapping[str, float]  # station that was carried -> what its press shows, after the apex
    off: OffTrack | None  # None where every press lies on its track


def zero_check(arc: Arc) -> ZeroCheck:
    """Return the worst of the zeros of an arc; Bonferroni's bound on how probable one as bad is."""
    zeros, left = arc.fix.zeros, arc.fix.sigma_zeros
    scatter = excess(arc.fix.chi2, arc.fix.redundancy)  # by which the arc has widened its own variances
    checked = 1 - left**2 / scatter
    w = np.where(checked > _LEAST_CHECKED, np.abs(zeros) / np.sqrt(np.maximum(checked, _LEAST_CHECKED) * scatter), 0.0)
    k, q = np.unravel_index(int(np.argmax(w)), w.shape)
    stations, worst = len(zeros), float(w[k, q])
    # four readings of an apex with three unknowns are checked once, whichever of them one looks at
    tests = 1 if stations == 2 else w.size
    probability = float(min(2 * tests * ndtr(-worst), 1.0))
    widening = max(worst / np.sqrt(2 * stations - 3), 1.0) if probability < ALPHA_GLOBAL else 1.0
    # the prior holds the estimate back; a blunder is as large as the estimate over how far it was checked
    value = float(zeros[k, q] / max(checked[k, q], _LEAST_CHECKED) * arc.tracks.seen.scale[0, k, 1 + q])
    return ZeroCheck(arc.fix.stations[k].station, QUANTITIES[q], value, worst, probability, stations > 2, widening)


def at_apex(batch: Batch, sightings: Sequence[Sighting], arc: Arc) -> AtApex:
    """Return what was read at the presses of one flight, carried along its arc to the apex.

    Parameters
    ----------
    batch : (1, N) readings that the presses' own fit has kept, with the sigmas of stations that stand alone
    sightings : of the flight; one without a time, or where its track has no sample near, stays as it was read
    """
    times = {sighting.station: sighting.utc_us for sighting in sightings}
    carried, late, off = _copy(batch), {}, []
    for k, own in enumerate(arc.fix.stations):
        n, utc_us = batch.stations.index(own.station), times.get(own.station)
        if utc_us is None or np.abs(own.utc_us - utc_us).min() > _NEAREST_US:
            continue
        tube, rate = _tube(own, utc_us)
        off += _off_track(batch, n, own.station, tube)
        zero = arc.fix.zeros[k] * arc.tracks.seen.scale[0, k, 1:]
        _carry(carried, n, _way(arc.fix.position_m - batch.station_m[n], tube - zero), np.abs(rate) * own.sigma_offset_s)
        late[own.station] = (utc_us - arc.fix.utc_us) * US + own.offset_s
    return AtApex(carried, late, _together(off))


def joined(rows: Sequence[Batch]) -> Batch:
    """Return the readings of flights, (1, N) each from the same stations, as one batch."""
    azimuth, elevation = (np.concatenate([getattr(row, name) for row in rows]) for name in ("azimuth_rad", "elevation_rad"))
    stated = Sigmas(*(np.concatenate([getattr(row.stated, part.name) for row in rows]) for part in fields(Sigmas)))
    return Batch(rows[0].stations, rows[0].station_m, azimuth, elevation, stated)


def _copy(batch: Batch) -> Batch:
    stated = replace(
        batch.stated,
        sigma_azimuth_rad=batch.stated.sigma_azimuth_rad.copy(),
        sigma_elevation_rad=batch.stated.sigma_elevation_rad.copy(),
        sigma_time_s=batch.stated.sigma_time_s.copy(),
    )
    return replace(batch, azimuth_rad=batch.azimuth_rad.copy(), elevation_rad=batch.elevation_rad.copy(), stated=stated)


def _tube(own: FittedTrack, utc_us: int) -> tuple[Vector, Vector]:
    """Return the (2,) azimuth and elevation that the arc has for a tube at an instant, and their rates per second."""
    at = np.array([utc_us, utc_us - _SLOPE_US, utc_us + _SLOPE_US]) - own.utc_us[0]
    since = (own.utc_us - own.utc_us[0]).astype(np.float64)
    angle = np.array([np.interp(at, since, series) for series in (np.unwrap(own.azimuth_rad), own.elevation_rad)])
    return angle[:, 0], (angle[:, 2] - angle[:, 1]) / (2 * _SLOPE_US * US)


def _way(sight_m: Vector, tube: Vector) -> Vector:
    """Return by how much (2,) azimuth and elevation change up to the apex, on the side of the zenith where the tube is."""
    azimuth, elevation = angles(sight_m)
    turn = float(wrapped(azimuth - tube[0]))
    if abs(turn) > np.pi / 2:
        turn, elevation = float(wrapped(turn + np.pi)), np.pi - elevation
    return np.array([turn, elevation - tube[1]])


def _carry(batch: Batch, n: int, way: Vector, sigma_rad: Vector) -> None:
    batch.azimuth_rad[0, n] += way[0]
    batch.elevation_rad[0, n] += way[1]
    stated = batch.stated
    stated.sigma_azimuth_rad[0, n] = np.hypot(stated.sigma_azimuth_rad[0, n], sigma_rad[0])
    stated.sigma_elevation_rad[0, n] = np.hypot(stated.sigma_elevation_rad[0, n], sigma_rad[1])
    stated.sigma_time_s[0, n] = 0.0


def _off_track(batch: Batch, n: int, station: str, tube: Vector) -> list[OffTrack]:
    """Return how far each reading of a press lies from its tube; the probabilities are for later."""
    read = np.array([batch.azimuth_rad[0, n], batch.elevation_rad[0, n]])
    sigma = batch.stated.sigma_azimuth_rad[0, n], batch.stated.sigma_elevation_rad[0, n]
    off = np.asarray(wrapped(read - tube))
    return [
        OffTrack(station, QUANTITIES[q], float(off[q]), float(abs(off[q]) / sigma[q]), 1.0)
        for q in np.flatnonzero(np.isfinite(off)).tolist()
    ]


def _together(off: Sequence[OffTrack]) -> OffTrack | None:
    """Return the worst of the presses where all of them together lie further off than chance puts them."""
    probability = global_test(sum(own.sigmas**2 for own in off), len(off))
    if probability >= ALPHA_GLOBAL:
        return None
    return replace(max(off, key=lambda own: own.sigmas), probability=probability)
