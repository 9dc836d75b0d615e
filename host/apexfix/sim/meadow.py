"""The invented meadow of a simulated launch day: stations, models, flights. Every name and place is made up."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from apexfix.sim.truth import Launch, Rocket, Trajectory, Wind, fly
from apexfix.units import DEG

Vector = NDArray[np.float64]

FLIGHTS: Final = 6
STATIONS: Final = ("A", "B", "C")
SURVEY_SIGMA_M: Final = 0.05
_SPACING_S: Final = 290.0
_LOWEST_M, _HIGHEST_M = 40.0, 250.0


@dataclass(frozen=True, slots=True)
class Plan:
    """Which mishap strikes which flight (index 0-5) and station (index 0-2)."""

    overhead: tuple[int, int]
    missed: tuple[int, int]
    double: tuple[int, int]
    held: tuple[int, int]
    reboot: tuple[int, int]  # after this flight


def draw_plan(rng: np.random.Generator) -> Plan:
    """Give the mishaps to different flights, so that every flight keeps two good stations."""
    flights = [int(i) for i in rng.permutation(FLIGHTS - 1)]
    where = [int(i) for i in rng.integers(0, len(STATIONS), 5)]
    return Plan(*[(flights[i], where[i]) for i in range(5)])


def draw_stations(rng: np.random.Generator, nearest: int = 0) -> Vector:
    """Return (3, 3) stations, 60-150 m from the pad, at unequal distances, bearings and heights.

    One of them is the nearest by choice: a model that stays within 30 degrees of the vertical passes over no other.
    """
    bearing = rng.uniform(0, 2 * np.pi) + np.array([0.0, 2.1, 4.0]) + rng.uniform(-0.25, 0.25, 3)
    distance = np.insert(rng.permutation([rng.uniform(90, 115), rng.uniform(120, 150)]), nearest, rng.uniform(60, 85))
    up = 1.5 + rng.uniform(-2.0, 4.0, 3)
    return np.column_stack([distance * np.sin(bearing), distance * np.cos(bearing), up])


def draw_rocket(rng: np.random.Generator, strength: float) -> Rocket:
    """Return a model whose motor gives ``strength`` N s or so; an early peak and a long plateau, as small motors have."""
    mean = strength / 1.4
    time_s = (0.0, 0.15, 0.3, 1.35, 1.4)
    thrust = tuple(mean * share for share in (0.0, 2.4, 1.05, 0.9, 0.0))
    mass = float(rng.uniform(0.055, 0.075))
    area_m2 = np.pi * float(rng.uniform(0.0125, 0.0155)) ** 2
    canopy = 0.5 * 1.2 * 1.5 * float(rng.uniform(0.06, 0.12))
    return Rocket(mass, 0.0016 * strength, time_s, thrust, 0.5 * 1.2 * 0.6 * area_m2, canopy, float(rng.uniform(5.5, 7.5)))


def draw_flight(rng: np.random.Generator, wind: Wind) -> Trajectory:
    """Return a flight with an apex of 40-250 m, from a rail a few degrees off the vertical."""
    while True:
        launch = Launch(float(rng.uniform(1, 7)) * DEG, float(rng.uniform(0, 2 * np.pi)))
        flight = fly(draw_rocket(rng, float(rng.uniform(2.6, 7.5))), launch, wind)
        if _LOWEST_M < flight.apex_m[2] < _HIGHEST_M:
            return flight


def draw_overhead_flight(rng: np.random.Generator, wind: Wind, station_m: Vector) -> Trajectory:
    """Return a flight whose apex lies beyond a station as seen from the pad, a few metres to one side of it at most."""
    for _ in range(20):
        flight = _aimed(draw_rocket(rng, float(rng.uniform(5.0, 6.2))), wind, station_m, float(rng.uniform(1.05, 1.2)))
        if flight is not None:
            return flight
    raise ValueError(f"no flight found that passes over a station {np.hypot(*station_m[:2]):.0f} m away; use another seed")


def _aimed(rocket: Rocket, wind: Wind, station_m: Vector, beyond: float) -> Trajectory | None:
    """Turn the rail until the apex lies beyond the station; None where no rail within 30 degrees of the vertical does it."""
    distance, bearing = float(np.hypot(*station_m[:2])), float(np.arctan2(station_m[0], station_m[1]))
    wanted, tilt, azimuth = distance * beyond, 20 * DEG, bearing
    for _ in range(40):
        flight = fly(rocket, Launch(tilt, azimuth), wind)
        away = float(np.hypot(*flight.apex_m[:2]))
        sideways = float(np.arctan2(flight.apex_m[0], flight.apex_m[1])) - bearing
        sideways = (sideways + np.pi) % (2 * np.pi) - np.pi
        if abs(away - wanted) < 2.0 and abs(sideways) < 0.03:
            return flight
        tilt = float(np.clip(tilt * (1 + 0.6 * (wanted / away - 1)), 2 * DEG, 30 * DEG))
        azimuth -= 0.7 * sideways
    return None


def draw_flights(rng: np.random.Generator, plan: Plan, stations_m: Vector) -> tuple[tuple[Trajectory, float], ...]:
    """Return each flight with its lift-off in seconds after the first one's."""
    toward = float(rng.uniform(0, 2 * np.pi))
    found: list[tuple[Trajectory, float]] = []
    for i in range(FLIGHTS):
        veer, phase = float(rng.normal(0, 0.2)), float(rng.uniform(0, 6))
        wind = Wind(float(rng.uniform(1.5, 4.0)), toward + veer, gust_share=0.2, gust_phase_rad=phase)
        over = stations_m[plan.overhead[1]]
        flight = draw_overhead_flight(rng, wind, over) if i == plan.overhead[0] else draw_flight(rng, wind)
        found.append((flight, _SPACING_S * i + float(rng.uniform(-15, 15))))
    return tuple(found)
