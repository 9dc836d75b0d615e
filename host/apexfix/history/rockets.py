"""The flights of each rocket over the days, with what was predicted for them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.errors import ApexfixError
from apexfix.history.days import Day
from apexfix.learn.evidence import flown_as
from apexfix.learn.flights_file import Conditions
from apexfix.model import FlightResult, Verdict
from apexfix.predict import Rocket, outcomes, read_rocket

UNNAMED: Final = ""
_SAMPLES: Final = 2000  # of a prediction: its sigma is known to 1.6 %
_UNUSABLE: Final = (Verdict.REJECTED, Verdict.UNSOLVED)


@dataclass(frozen=True, slots=True)
class Predicted:
    """The height that a rocket file makes of one flight."""

    height_m: float
    sigma_m: float
    interval95_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Flown:
    """One flight of a rocket. `height_m` is None where it is unsolved; a rejected height is told but counts for nothing."""

    day: Day
    flight: int
    verdict: Verdict
    height_m: float | None
    sigma_m: float | None
    interval95_m: tuple[float, float] | None
    closure_percent: float | None
    predicted: Predicted | None


@dataclass(frozen=True, slots=True)
class RocketLog:
    """A rocket over the days."""

    name: str  # empty: flights of which nobody said which rocket made them
    flights: tuple[Flown, ...]
    mean_m: float | None  # of the heights that count; None of flights that nobody said to be of one rocket
    sd_m: float | None  # None with fewer than two, too


def counts(flown: Flown) -> bool:
    """Return whether a height can be relied on at all."""
    return flown.height_m is not None and flown.verdict not in _UNUSABLE


def gap_sigmas(flown: Flown) -> float | None:
    """Return measured less predicted over the sigma of both, None where one of them is missing."""
    if not counts(flown) or flown.predicted is None or flown.height_m is None or flown.sigma_m is None:
        return None
    return (flown.height_m - flown.predicted.height_m) / hypot(flown.sigma_m, flown.predicted.sigma_m)


def rocket_logs(days: Sequence[Day], files: Iterable[Path]) -> tuple[tuple[RocketLog, ...], tuple[str, ...]]:
    """Return every rocket with its flights, in the order of the first, unnamed ones last; and what there is to remark.

    Parameters
    ----------
    files
        ROCKET.toml files; a flight belongs to the one that bears its rocket's name.

    Raises
    ------
    FileError
        A rocket file has an error in it.
    """
    rockets = {rocket.name: rocket for rocket in (read_rocket(path).rocket for path in files)}
    remarks: list[str] = []
    found: dict[str, list[Flown]] = {}
    for day in days:
        for result in day.result.flights if day.result is not None else ():
            known = day.conditions.get(result.flight, Conditions())
            predicted = _predicted(rockets.get(known.rocket), known, result.flight, remarks)
            found.setdefault(known.rocket, []).append(_flown(day, result, predicted))
    unused = [name for name in rockets if name not in found]
    remarks += [f"no flight is named to be of {name}; a line rocket = ... in flights.toml does it" for name in unused]
    names = sorted(found, key=lambda name: name == UNNAMED)
    return tuple(_log(name, found[name]) for name in names), tuple(dict.fromkeys(remarks))


def _predicted(rocket: Rocket | None, known: Conditions, flight: int, remarks: list[str]) -> Predicted | None:
    if rocket is None:
        return None
    try:
        apex = outcomes(flown_as(rocket, known.figures, flight), _SAMPLES)["apex_m"]
    except ApexfixError as error:
        remarks.append(f"no prediction: {error}")
        return None
    return Predicted(apex.nominal, apex.sigma, apex.interval95)


def _flown(day: Day, result: FlightResult, predicted: Predicted | None) -> Flown:
    return Flown(
        day=day,
        flight=result.flight,
        verdict=result.verdict,
        height_m=None if result.position_m is None else float(result.position_m[2]),
        sigma_m=None if result.covariance_m2 is None else sqrt(float(result.covariance_m2[2, 2])),
        interval95_m=result.interval95_m,
        closure_percent=result.closure_percent,
        predicted=predicted,
    )


def _log(name: str, flights: Sequence[Flown]) -> RocketLog:
    heights = np.array([flown.height_m for flown in flights if counts(flown) and name != UNNAMED], dtype=float)
    mean_m = float(heights.mean()) if heights.size else None
    return RocketLog(name, tuple(flights), mean_m, float(heights.std(ddof=1)) if heights.size > 1 else None)
