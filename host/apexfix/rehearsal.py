"""The main job on a simulated launch day: virtual units run the real firmware, and everything behind the port is the real host."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.errors import FileError, UnitError
from apexfix.model import FlightResult
from apexfix.pull import Outcome, pull_all
from apexfix.sim.altimeter import Altimeter, Weather, control_csv
from apexfix.sim.launch_day import Apex, LaunchDay
from apexfix.text_file import write_text
from apexfix.units import SECOND_US

ALTIMETER_NAME: Final = "altimeter.csv"
_AIR: Final = Weather(temperature_c=24.0, pressure_pa=96_500.0, humidity=0.5)
_ON_BOARD: Final = Altimeter(sample_hz=10.0, scale=1.002, offset_pa=-60.0)
_SLOW_S: Final = 6.4  # its clock was set by hand
_SAME_FLIGHT_S: Final = 15.0  # flights are minutes apart, presses seconds


def rehearse(folder: Path, seed: int, say: Callable[[str], None]) -> Mapping[int, Apex]:
    """Fly the day of a seed into a new day folder and return what was true: flight number -> apex.

    The folder then holds what a real day's would: ``site.toml`` and ``archive.sqlite``; besides, ``altimeter.csv``, what a
    barometric altimeter logged on board of every flight, and ``units/`` with the flash of the virtual units.

    Parameters
    ----------
    say
        Told what is happening, a line at a time.

    Raises
    ------
    FileError
        The folder holds something already: an earlier day's records are never mixed with these.
    UnitError
        There is no MicroPython on this computer, or a unit could not be pulled.
    """
    if folder.exists() and any(folder.iterdir()):
        raise FileError("is not empty, a new folder expected; choose another or remove it", path=folder)
    with LaunchDay(seed, folder) as day:
        day.site_toml()
        say("morning: the units are switched on, their clocks compared")
        day.morning()
        _pull(day, folder)
        say("six flights over the invented meadow, seen from three stations")
        day.fly()
        write_text(folder / ALTIMETER_NAME, control_csv(np.random.default_rng(seed), _ON_BOARD, _AIR, day.flown, slow_s=_SLOW_S))
        say("evening: everything is pulled, the clocks compared again")
        day.evening()
        for outcome in _pull(day, folder):
            say(f"  {outcome.unit}: {outcome.fresh_bytes} new bytes")
        return day.truth


def _pull(day: LaunchDay, folder: Path) -> tuple[Outcome, ...]:
    outcomes = pull_all(tuple(day.ports.values()), folder, day.utc_us)
    for outcome in outcomes:
        if outcome.error:
            raise UnitError(f"{outcome.unit or outcome.port}: {outcome.error}")
    return outcomes


def true_apex(result: FlightResult, truth: Mapping[int, Apex]) -> Apex | None:
    """Return the apex of the flight that the sightings of a result saw, told by their times, or None where none fits."""
    times = [sighting.utc_us for sighting in result.sightings if sighting.utc_us is not None]
    if not times:
        return truth.get(result.flight)
    middle = sum(times) / len(times)
    nearest = min(truth.values(), key=lambda apex: abs(apex.utc_us - middle))
    return nearest if abs(nearest.utc_us - middle) < _SAME_FLIGHT_S * SECOND_US else None
