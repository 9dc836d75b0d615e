"""What a day says about a rocket: measured heights, and times where they are known, each with its sigma."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot, sqrt

from apexfix.errors import ReductionError
from apexfix.learn.flights_file import Conditions
from apexfix.model import FlightResult, Verdict
from apexfix.predict import Quantity, Rocket, refuse_impossible
from apexfix.units import US

_UNUSABLE = (Verdict.REJECTED, Verdict.UNSOLVED)


@dataclass(frozen=True, slots=True)
class Measured:
    """One flight: what was seen of it and what the rocket was like that time."""

    flight: int
    height_m: float
    sigma_height_m: float
    time_s: float | None  # from lift-off to the apex
    sigma_time_s: float
    rocket: Rocket  # with the figures of this flight


@dataclass(frozen=True, slots=True)
class Evidence:
    """The flights to learn from, and why others are not among them."""

    measured: tuple[Measured, ...]
    remarks: tuple[str, ...]


def evidence(
    results: tuple[FlightResult, ...], rocket: Rocket, conditions: Mapping[int, Conditions], chosen: tuple[int, ...] = ()
) -> Evidence:
    """Return what flights say about a rocket.

    Parameters
    ----------
    chosen : tuple of int
        Numbers of the flights that this rocket made; empty: all of the day but those of which flights.toml names another rocket.

    Raises
    ------
    ReductionError
        No flight can be used, a number belongs to no flight, or the figures of a flight are impossible.
    """
    known = {result.flight for result in results}
    strangers = sorted((set(chosen) | set(conditions)) - known)
    if strangers:
        raise ReductionError(f"flight {strangers[0]} seen, one of this day's flights expected: {_listed(known)}")
    others = {} if chosen else {flight: own.rocket for flight, own in conditions.items() if own.rocket not in ("", rocket.name)}
    asked = [result for result in results if result.flight in chosen or not (chosen or result.flight in others)]
    used = [result for result in asked if result.verdict not in _UNUSABLE and result.position_m is not None]
    remarks = [f"Flight {flight} is left out: flights.toml says that it was {name!r}." for flight, name in sorted(others.items())]
    remarks += [f"Flight {result.flight} is left out: it is {result.verdict}." for result in asked if result not in used]
    remarks += [f"Flight {result.flight} is {result.verdict}; it is used as it stands." for result in used if _shaky(result)]
    if not used:
        raise ReductionError(f"no flight with a usable height seen among {_listed({result.flight for result in asked})}")
    measured = tuple(_measured(result, rocket, conditions.get(result.flight, Conditions())) for result in used)
    return Evidence(measured, tuple(remarks))


def _shaky(result: FlightResult) -> bool:
    return result.verdict is Verdict.DOUBTFUL


def _listed(flights: set[int]) -> str:
    return ", ".join(map(str, sorted(flights))) or "none"


def _measured(result: FlightResult, rocket: Rocket, known: Conditions) -> Measured:
    assert result.position_m is not None
    assert result.covariance_m2 is not None
    time_s, sigma_s = _time_to_apex(result, known)
    return Measured(
        result.flight,
        float(result.position_m[2]),
        sqrt(float(result.covariance_m2[2, 2])),
        time_s,
        sigma_s,
        flown_as(rocket, known.figures, result.flight),
    )


def _time_to_apex(result: FlightResult, known: Conditions) -> tuple[float | None, float]:
    """Return the climb in s and its sigma; the time of the apex comes from the presses or the track."""
    if known.lift_off_us is None:
        return known.time_to_apex_s, known.sigma_time_s
    if result.utc_us is None:
        raise ReductionError(
            f"flight {result.flight}: lift_off_utc seen, but its sightings carry no time; give time_to_apex_s instead"
        )
    stamps = [sighting.sigma_time_s for sighting in result.sightings if sighting.sigma_time_s is not None]
    return (result.utc_us - known.lift_off_us) * US, hypot(known.sigma_time_s, max(stamps, default=0.0))


def flown_as(rocket: Rocket, figures: Mapping[str, float], flight: int) -> Rocket:
    """Return the rocket with the figures of one flight; sigmas keep their share of what the rocket has for all flights alike.

    Raises
    ------
    ReductionError
        The rocket has no such figure, or it cannot fly with it.
    """
    quantities = dict(rocket.quantities)
    for name, value in figures.items():
        if name not in quantities:
            known = ", ".join(sorted(quantities))
            raise ReductionError(f"flight {flight}: {name} seen, a figure of this kind of rocket expected: {known}")
        stated = quantities[name]
        share = value / stated.value if stated.positive and stated.value > 0 and name != "wind_m_s" else 1.0
        quantities[name] = Quantity(value, stated.sigma * share, stated.positive)
    changed = replace(rocket, quantities=quantities)
    refuse_impossible(changed)
    return changed
