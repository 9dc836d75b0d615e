"""The main job on a simulated launch day: virtual units run the real firmware, and everything behind the port is the real host."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from apexfix.errors import FileError, UnitError
from apexfix.model import FlightResult
from apexfix.pull import Outcome, pull_all
from apexfix.sim.launch_day import Apex, LaunchDay
from apexfix.units import SECOND_US

_SAME_FLIGHT_S: Final = 15.0  # flights are minutes apart, presses seconds


def rehearse(folder: Path, seed: int, say: Callable[[str], None]) -> Mapping[int, Apex]:
    """Fly the day of a seed into a new day folder and return what was true: flight number -> apex.

    The folder then holds what a real day's would: ``site.toml`` and ``archive.sqlite``; besides, ``units/`` with the flash of
    the virtual units.

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
