"""A flight as it really was: thrust, mass loss, quadratic drag, wind, rail, coast, apex, canopy.

Equations of motion of a point mass, integrated numerically in three dimensions (scipy's ``solve_ivp``). The axis of the model
follows the air stream once it is off the rail; that is the ideal weathercock of an amply stable model.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import OdeSolution, solve_ivp

from apexfix.units import STANDARD_GRAVITY

Vector = NDArray[np.float64]

_REFERENCE_HEIGHT_M: Final = 10.0  # where winds are quoted (WMO practice)
_SURFACE_M: Final = 0.3  # below this the power law is not used: it would end in a calm without air
_LONGEST_FLIGHT_S: Final = 600.0


@dataclass(frozen=True, slots=True)
class Rocket:
    """A model. ``drag_kg_m`` is rho Cd A / 2, so that the drag is drag_kg_m times the square of the air speed."""

    mass_kg: float  # at lift-off
    propellant_kg: float
    thrust_time_s: tuple[float, ...]
    thrust_n: tuple[float, ...]
    drag_kg_m: float
    canopy_kg_m: float
    ejection_s: float  # from lift-off


@dataclass(frozen=True, slots=True)
class Wind:
    """Wind u = speed (z / 10 m)^exponent, with one slow sinusoidal gust. ``toward_rad``: azimuth that it blows to."""

    speed_m_s: float = 0.0
    toward_rad: float = 0.0
    exponent: float = 1 / 7
    gust_share: float = 0.0
    gust_period_s: float = 7.0
    gust_phase_rad: float = 0.0

    def velocity_m_s(self, up_m: float, time_s: float) -> Vector:
        """Return the (3,) velocity of the air, east, north, up."""
        profile = (max(up_m, _SURFACE_M) / _REFERENCE_HEIGHT_M) ** self.exponent
        gust = 1.0 + self.gust_share * np.sin(2 * np.pi * time_s / self.gust_period_s + self.gust_phase_rad)
        speed_m_s = self.speed_m_s * profile * gust
        return np.array([speed_m_s * np.sin(self.toward_rad), speed_m_s * np.cos(self.toward_rad), 0.0])


@dataclass(frozen=True, slots=True)
class Launch:
    """How the flight begins, at the pad. ``tilt_rad`` is from the vertical, toward ``tilt_azimuth_rad``."""

    tilt_rad: float = 0.0
    tilt_azimuth_rad: float = 0.0
    rail_m: float = 1.0
    speed_m_s: float = 0.0  # along the rail, for bodies that are thrown
    gravity_m_s2: float = STANDARD_GRAVITY

    def axis(self) -> Vector:
        """Return the (3,) unit vector along the rail."""
        level = np.sin(self.tilt_rad)
        return np.array([level * np.sin(self.tilt_azimuth_rad), level * np.cos(self.tilt_azimuth_rad), np.cos(self.tilt_rad)])


@dataclass(frozen=True, slots=True)
class Trajectory:
    """A flight from lift-off (time 0) to landing."""

    apex_s: float
    apex_m: Vector  # (3,) east, north, up from the pad
    landing_s: float
    landing_m: Vector
    pieces: tuple[OdeSolution, ...]
    starts_s: tuple[float, ...]

    def position_m(self, time_s: Vector) -> Vector:
        """Return the (N, 3) positions at times from lift-off; before it the pad, after the landing the landing place."""
        clipped = np.clip(np.atleast_1d(np.asarray(time_s, dtype=float)), 0.0, self.landing_s)
        piece = np.searchsorted(self.starts_s, clipped, side="right") - 1
        position = np.zeros((clipped.size, 3))
        for i, solution in enumerate(self.pieces):
            chosen = piece == i
            if chosen.any():
                position[chosen] = solution(clipped[chosen])[:3].T
        return position


def fly(rocket: Rocket, launch: Launch, wind: Wind) -> Trajectory:
    """Integrate a flight from the pad to the ground.

    Raises
    ------
    ValueError
        The model never leaves the pad, or it is still in the air after ten minutes.
    """
    motion = _Motion(rocket, launch, wind)
    state = np.concatenate([np.zeros(3), launch.speed_m_s * launch.axis()])
    knots = [knot for knot in rocket.thrust_time_s if knot > 0.0]
    pieces: list[OdeSolution] = []
    starts: list[float] = []
    apex: tuple[float, Vector] | None = None
    now = 0.0
    for until in sorted({*knots, rocket.ejection_s, _LONGEST_FLIGHT_S}):
        solved = solve_ivp(motion, (now, until), state, events=[_rising_ends, _ground], dense_output=True, rtol=1e-7, atol=1e-7)
        assert solved.sol is not None  # it was asked for
        assert solved.t_events is not None
        assert solved.y_events is not None
        pieces.append(solved.sol)
        starts.append(now)
        if apex is None and solved.t_events[0].size:
            apex = (float(solved.t_events[0][0]), solved.y_events[0][0][:3])
        if solved.t_events[1].size:
            return _landed(apex, solved.t_events[1][0], solved.y_events[1][0], (tuple(pieces), tuple(starts)))
        now, state = until, solved.y[:, -1]
    raise ValueError(f"the model is still {state[2]:.0f} m up after {_LONGEST_FLIGHT_S:.0f} s; make the canopy smaller")


def _landed(
    apex: tuple[float, Vector] | None, landing_s: float, state: Vector, path: tuple[tuple[OdeSolution, ...], tuple[float, ...]]
) -> Trajectory:
    if apex is None or apex[1][2] <= 0.0:
        raise ValueError("the model never leaves the pad; its thrust must exceed its weight")
    return Trajectory(apex[0], apex[1], float(landing_s), state[:3], *path)


def _rising_ends(time_s: float, state: Vector) -> float:
    return float(state[5]) if state[2] > 0.0 else 1.0  # a model that stands on the pad is not at its apex


def _ground(time_s: float, state: Vector) -> float:
    return float(state[2]) if time_s > 0.05 else 1.0


_rising_ends.direction = -1.0  # type: ignore[attr-defined]
_ground.direction = -1.0  # type: ignore[attr-defined]
_ground.terminal = True  # type: ignore[attr-defined]


class _Motion:
    """The derivative of (position, velocity). Mass is lost in proportion to the impulse spent."""

    def __init__(self, rocket: Rocket, launch: Launch, wind: Wind):
        self._rocket, self._launch, self._wind = rocket, launch, wind
        self._time, self._thrust = np.array(rocket.thrust_time_s), np.array(rocket.thrust_n)
        spent = np.concatenate([[0.0], np.cumsum(np.diff(self._time) * (self._thrust[1:] + self._thrust[:-1]) / 2)])
        self._spent, self._total = spent, max(float(spent[-1]), 1e-12)
        self._axis = launch.axis()

    def __call__(self, time_s: float, state: Vector) -> Vector:
        position, velocity = state[:3], state[3:]
        air = velocity - self._wind.velocity_m_s(position[2], time_s)
        on_rail = time_s < self._time[-1] and float(np.linalg.norm(position)) <= self._launch.rail_m
        mass = self._mass_kg(time_s)
        push = float(np.interp(time_s, self._time, self._thrust, right=0.0))
        open_canopy = time_s >= self._rocket.ejection_s
        drag = self._rocket.canopy_kg_m if open_canopy else self._rocket.drag_kg_m
        speed = float(np.linalg.norm(air))
        axis = self._axis if on_rail or speed == 0.0 else air / speed
        force = push * axis - drag * speed * air - np.array([0.0, 0.0, mass * self._launch.gravity_m_s2])
        if on_rail:
            force = max(float(force @ self._axis), 0.0) * self._axis
        return np.concatenate([velocity, force / mass])

    def _mass_kg(self, time_s: float) -> float:
        """Return the mass; the impulse of a piece of the thrust table is a trapezoid."""
        if time_s >= self._time[-1]:
            return self._rocket.mass_kg - self._rocket.propellant_kg
        i = max(int(np.searchsorted(self._time, time_s, side="right")) - 1, 0)
        push = float(np.interp(time_s, self._time, self._thrust))
        spent = self._spent[i] + (time_s - self._time[i]) * (self._thrust[i] + push) / 2
        return float(self._rocket.mass_kg - self._rocket.propellant_kg * spent / self._total)


