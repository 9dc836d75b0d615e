"""What the commands that answer for a day share: from its folder to its answers, and from these to an exit code."""

from pathlib import Path

from apexfix.day import SIGHTINGS_NAME, SITE_NAME, flights_from_hand, read_sightings, read_site
from apexfix.errors import ReductionError
from apexfix.model import DayResult, Flight, Site, Verdict
from apexfix.reduce.day import reduce_day
from apexfix.reduce.options import Options

SOME_UNSOLVED = 1


def reduced(day_folder: Path, options: Options) -> DayResult:
    """Return the answers for the day in a folder.

    Raises
    ------
    FileError
        A file of the folder is missing or wrong.
    ReductionError
        The folder holds no sighting of any flight.
    """
    site, flights = _flights(day_folder)
    if not flights:
        raise ReductionError(f"no sighting of any flight seen in {day_folder}; hand readings belong into {SIGHTINGS_NAME}")
    return reduce_day(site, flights, options)


def exit_code(day: DayResult) -> int:
    """Return 0 where every flight has an answer, else 1."""
    return SOME_UNSOLVED if any(result.verdict is Verdict.UNSOLVED for result in day.flights) else 0


def _flights(day_folder: Path) -> tuple[Site, tuple[Flight, ...]]:
    site = read_site(day_folder / SITE_NAME)
    hand = day_folder / SIGHTINGS_NAME
    return site, flights_from_hand(read_sightings(hand, site)) if hand.exists() else ()
