"""A simulated launch day, from the morning's clock exchange to the evening's, with three virtual units and six flights.

An invented day on an invented meadow. The units run the real firmware; their boards, their observers and the sky are simulated.
"""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from apexfix.sim import imu, meadow, observer, stand
from apexfix.sim.truth import Trajectory
from apexfix.sim.virtual_unit import Hardware, VirtualUnit
from apexfix.units import SECOND_US

Vector = NDArray[np.float64]

UNITS: Final = ("u01", "u02", "u03")
PARTS: Final = (imu.MPU6050, imu.LSM6DSOX, imu.MPU6050)
BUTTON_PINS: Final = {"mark": 14, "reference": 15}
DAY_START_US: Final = 1_781_334_000 * SECOND_US  # 2026-06-13 07:00 UTC, an invented date
_MORNING_S: Final = 330.0  # on the day's axis, when the units go live
_FIRST_FLIGHT_S: Final = 540.0
_EVENING_AFTER_S: Final = 90.0  # after the last flight's apex
_OFF_S: Final = 25.0  # how long a rebooted unit is without power
_ARM_M: Final = 0.3
_AXES: Final = ("east", "north", "up")


@dataclass(frozen=True, slots=True)
class Apex:
    """Where and when a model truly was highest."""

    east_m: float
    north_m: float
    up_m: float
    utc_us: int


@dataclass(frozen=True, slots=True)
class Event:
    """A press as it truly happened."""

    unit: str
    station: str
    kind: str  # "mark", "reference"
    flight: int  # the true one
    utc_us: int
    mishap: str  # "", "double", "held"


class LaunchDay:
    """A launch day from a seed. Use as a context manager: ``morning()``, talk to ``ports``, ``fly()``, ``evening()``, talk again.

    ``truth`` maps the true flight number to its Apex; ``events`` are all presses; ``mishaps`` says which struck where.
    ``on_stands`` puts every unit on a stand that leans a little, with a calibrated encoder on its axis.
    """

    def __init__(self, seed: int, folder: Path, *, on_stands: bool = False):
        self._on_stands = on_stands
        self.folder = folder.resolve()  # the units run in folders of their own
        self.folder.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng(seed)
        self.mishaps = meadow.draw_plan(rng)
        self.stations_m = meadow.draw_stations(rng, self.mishaps.overhead[1])
        self.surveyed_m = self.stations_m + rng.normal(0, meadow.SURVEY_SIGMA_M, (3, 3))
        self._flights = meadow.draw_flights(rng, self.mishaps, self.stations_m)
        self.truth = {i + 1: self._apex(i) for i in range(len(self._flights))}
        self._boot_s = [float(s) for s in np.cumsum(rng.uniform(30, 110, len(UNITS)))]
        self._evening_us = self.truth[len(self._flights)].utc_us + int(_EVENING_AFTER_S * SECOND_US)
        self._anchor: tuple[int, int] | None = None
        built = [self._unit(unit_rng, i) for i, unit_rng in enumerate(rng.spawn(len(UNITS)))]
        self.units = tuple(unit for unit, _ in built)
        self.events = tuple(sorted((event for _, events in built for event in events), key=lambda event: event.utc_us))

    def __enter__(self) -> "LaunchDay":
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @property
    def ports(self) -> dict[str, str]:
        """Serial port of every unit by its name."""
        return {name: unit.port for name, unit in zip(UNITS, self.units, strict=True)}

    @property
    def flown(self) -> tuple[tuple[Trajectory, int], ...]:
        """The path of every flight and the UTC of its lift-off in microseconds, in their order."""
        return tuple((flight, _world_us(self._lift_off_s(i))) for i, (flight, _) in enumerate(self._flights))

    def utc_us(self) -> int:
        """Return what a right clock of the host shows now; while the day is flown it stands at the evening."""
        if self._anchor is None:
            return self._evening_us
        return self._anchor[0] + time.time_ns() // 1000 - self._anchor[1]

    def site_toml(self) -> Path:
        """Write site.toml as the launch crew surveyed it and return its path."""
        lines = ["format = 1", "", "[site]", 'name = "Larkfield meadow (invented)"', ""]
        for name, unit, place in zip(meadow.STATIONS, UNITS, self.surveyed_m, strict=True):
            lines += ["[[station]]", f'id = "{name}"']
            lines += [f"{axis}_m = {value:.3f}" for axis, value in zip(_AXES, place, strict=True)]
            lines += [f"sigma_position_m = {meadow.SURVEY_SIGMA_M}", f'unit = "{unit}"', ""]
        path = self.folder / "site.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        return path

    def morning(self) -> None:
        """Power the units on, minutes apart, and let them run live."""
        self._each(self._boot)
        self._go_live(DAY_START_US + int(_MORNING_S * SECOND_US))

    def fly(self) -> None:
        """Let the day pass, as fast as the processor allows: all flights, all mishaps."""
        self._anchor = None
        self._each(self._pass_day)

    def evening(self) -> None:
        """Let the units run live again."""
        self._go_live(self._evening_us)

    def close(self) -> None:
        """Power everything off. May be called twice."""
        for unit in self.units:
            unit.close()

    # --- building -----------------------------------------------------------------------------------------------------

    def _lift_off_s(self, flight: int) -> float:
        return _FIRST_FLIGHT_S + self._flights[flight][1]

    def _apex(self, flight: int) -> Apex:
        trajectory = self._flights[flight][0]
        east, north, up = (float(value) for value in trajectory.apex_m)
        return Apex(east, north, up, _world_us(self._lift_off_s(flight) + trajectory.apex_s))

    def _unit(self, rng: np.random.Generator, i: int) -> tuple[VirtualUnit, list[Event]]:
        watches = tuple(self._watch(flight, i) for flight in range(len(self._flights)))
        count = int((self._evening_us - DAY_START_US) / SECOND_US + 60) * imu.SAMPLE_HZ
        look, presses = observer.observe(rng, self.stations_m[i], watches, count)
        true = imu.faults(rng, PARTS[i])
        folder = self.folder / "units" / UNITS[i]
        folder.mkdir(parents=True, exist_ok=True)
        encoder: dict[str, object] = {}
        if self._on_stands:
            (own_rng,) = rng.spawn(1)  # a seed's day is the same day without stands
            own = stand.drawn(own_rng)
            turn, look = stand.mounted(own, look)
            stand.counts(own_rng, own, turn).tofile(folder / "angles.bin")
            encoder["encoder"] = stand.calibration(own_rng, own)
        _samples(rng, PARTS[i], (true, look)).tofile(folder / "samples.bin")
        edges = [edge for press in presses for edge in observer.edges(rng, press, BUTTON_PINS[press.kind])]
        hardware = Hardware(
            serial=rng.bytes(8).hex(),
            part=PARTS[i].name,
            samples_file=folder / "samples.bin",
            samples_start_us=DAY_START_US,
            # a bounce may last less than a microsecond: edges of one instant stay in their order
            edges=tuple(sorted(((_world_us(at_s), pin, level) for at_s, pin, level in edges), key=lambda edge: edge[0])),
            rate_error_ppb=int(rng.uniform(-30_000, 30_000)),
            ticks_start_us=int(rng.integers(100_000, 400_000)),
            angles_file=folder / "angles.bin" if self._on_stands else None,
        )
        settings: dict[str, object] = {"unit": UNITS[i], "calibration": imu.calibration(rng, true, f"{UNITS[i]}-bench") | encoder}
        events = [Event(UNITS[i], meadow.STATIONS[i], p.kind, p.flight, _world_us(p.time_s), p.mishap) for p in presses]
        return VirtualUnit(folder, hardware, settings), events

    def _watch(self, flight: int, station: int) -> observer.Watch:
        here, plan = (flight, station), self.mishaps
        return observer.Watch(
            flight=flight + 1,
            lift_off_s=self._lift_off_s(flight),
            trajectory=self._flights[flight][0],
            overhead=here == plan.overhead,
            missed=here == plan.missed,
            double=here == plan.double,
            held=here == plan.held,
        )

    # --- running ------------------------------------------------------------------------------------------------------

    def _each(self, work: Callable[[int], None]) -> None:
        with ThreadPoolExecutor(len(UNITS)) as pool:
            list(pool.map(work, range(len(UNITS))))

    def _boot(self, i: int) -> None:
        self.units[i].start(_world_us(self._boot_s[i]))
        self.units[i].forward(_world_us(_MORNING_S))

    def _pass_day(self, i: int) -> None:
        flight, station = self.mishaps.reboot
        if station == i:
            off_us = self.truth[flight + 1].utc_us + int(60 * SECOND_US)
            self.units[i].forward(off_us)
            self.units[i].start(off_us + int(_OFF_S * SECOND_US))
        self.units[i].forward(self._evening_us)

    def _go_live(self, world_us: int) -> None:
        self._anchor = (world_us, time.time_ns() // 1000)
        for unit in self.units:
            unit.live(*self._anchor)


def _world_us(day_s: float) -> int:
    return DAY_START_US + round(day_s * SECOND_US)


def _samples(rng: np.random.Generator, part: imu.Part, carried: tuple[imu.Faults, Rotation]) -> imu.Counts:
    """Return the counts of a day: the tube looks where the observer looks, the sensor sits askew on it."""
    true, enu_from_tube = carried
    tube_from_body, _ = Rotation.align_vectors([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]], _frame_of(true.tube_body))
    force_g, rate_dps = imu.motion_of(enu_from_tube * tube_from_body, _ARM_M)
    day = np.linspace(0.0, 1.0, len(force_g))
    temperature_c = 19.0 + 5.0 * day + 0.5 * np.sin(9 * day)
    return imu.counts(rng, part, true, (force_g, rate_dps, temperature_c))


def _frame_of(tube_body: Vector) -> Sequence[Vector]:
    """Return the tube and the upward axis square to it, in body axes."""
    up = np.array([0.0, 0.0, 1.0]) - tube_body[2] * tube_body
    return [tube_body, up / np.linalg.norm(up)]
