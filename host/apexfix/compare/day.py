"""A day's answers and a control file to their comparison."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from apexfix.compare.altimeter import Reading, control_flights
from apexfix.compare.answer import Comparison, comparison
from apexfix.compare.barometer import Pad, Weather
from apexfix.compare.control_file import read_control
from apexfix.compare.pairing import day_times, paired
from apexfix.model import DayResult


@dataclass(frozen=True, slots=True)
class Said:
    """What a person says beside the control file."""

    weather: Weather = field(default_factory=Weather)
    corrected: bool = False  # the heights are corrected for temperature already
    flights: Sequence[int] = ()  # numbers in the order of the control file
    clock_offset_s: float | None = None  # to be added to the altimeter's time


def compared(day: DayResult, path: Path, said: Said) -> Comparison:
    """Return how the heights of a day compare with a control file.

    Raises
    ------
    FileError
        The control file has an error in it.
    ReductionError
        What was said does not fit the file.
    """
    control = read_control(path)
    pad = Pad(day.site.latitude_rad, day.site.height_m)
    flights = control_flights(control, Reading(said.weather, pad, said.corrected), path)
    pairing = paired(flights, day_times(day.flights), said.flights, said.clock_offset_s)
    return comparison(day, flights, pairing, control.remarks)
