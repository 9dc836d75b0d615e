"""A whole launch day: every flight that was seen gets a result, in the order of the flights."""

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np

from apexfix.model import DayResult, Flight, Site, Vector
from apexfix.reduce.adjust import Correction
from apexfix.reduce.answer import Answer, answered, by_elevations, classical, unanswered
from apexfix.reduce.flight import Fit
from apexfix.reduce.least_squares import Fixes
from apexfix.reduce.observe import Observations, observe
from apexfix.reduce.options import Options
from apexfix.reduce.solve import Batch
from apexfix.reduce.tracked import tracks_contradict, with_tracks
from apexfix.reduce.uncertainty import Sigmas
from apexfix.reduce.whole_day import settled, standing_alone
from apexfix.units import DEG

DEFAULTS = Options()


def reduce_day(site: Site, flights: Sequence[Flight], options: Options = DEFAULTS) -> DayResult:
    """Return the answers for a day, one for each flight.

    Raises
    ------
    ReductionError
        A sighting from a station that the site does not have, or two of one flight from one station.
    """
    seen = [observe(site, flight, options.defaults) for flight in flights]
    if not seen:
        return DayResult(site, ())
    batch = batch_of(seen)
    day = settled(batch, options)
    if day.let_go and tracks_contradict(site, flights, day, options):
        day = standing_alone(batch, options, _not_a_zero(day.let_go))
    elevations = by_elevations(day.batch, day.fits)
    rows = [np.array([k]) for k in range(len(seen))]
    pressed = tuple(
        _answer(flight, day.batch.take(row), fit, elevations.take(row), options)
        for flight, row, fit in zip(flights, rows, day.fits, strict=True)
    )
    answers = zip(with_tracks(site, pressed, day, options), flights, strict=True)
    # what the matching says holds for presses and tracks alike
    whole = tuple(replace(answer, reasons=answer.reasons + flight.remarks) for answer, flight in answers)
    return DayResult(site, whole, day.remarks)


def _not_a_zero(let_go: Sequence[Correction]) -> str:
    zeros = ", ".join(f"the {c.quantity} of station {c.station} at {c.value / DEG:+z.2f}°" for c in let_go)
    return f"each flight stands alone: the presses of the day put {zeros}, the tracks do not; presses that come late look like that"


def _answer(flight: Flight, batch: Batch, fit: Fit, elevations: Fixes, options: Options) -> Answer:
    beside = classical(batch, fit, elevations, options)
    if fit.solution.fixes.solved[0]:
        return answered(flight, batch, fit, beside, options)
    return unanswered(flight, batch, fit, beside)


def batch_of(seen: Sequence[Observations]) -> Batch:
    """Return flights as rows and all stations that saw any of them as columns."""
    place = {name: own.station_m[n] for own in seen for n, name in enumerate(own.station)}
    names = tuple(place)
    column = {name: n for n, name in enumerate(names)}

    def spread(of: str) -> Vector:
        table = np.full((len(seen), len(names)), np.nan)
        for row, own in enumerate(seen):
            table[row, [column[name] for name in own.station]] = getattr(own, of)
        return table

    stated = Sigmas(*(spread(part.name) for part in fields(Sigmas)))
    return Batch(names, np.array(list(place.values())).reshape(-1, 3), spread("azimuth_rad"), spread("elevation_rad"), stated)
