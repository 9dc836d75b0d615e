"""apexfix enter: hand readings, typed in with cold fingers."""

from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

import click

from apexfix.cli.failure import reports_errors
from apexfix.day import SIGHTINGS_NAME, SITE_NAME, append_sightings, flights_from_hand, read_sightings, read_site
from apexfix.fields import Unfit
from apexfix.hand_entry import BACK, LOST, QUIT, Entry, Finished, answered, question
from apexfix.model import Site
from apexfix.reduce.day import reduce_day
from apexfix.report.rounding import closure_words, height_words, interval_words
from apexfix.site_entry import EYE_M, SIGMA_DEG, Place, bearing_deg, distance_m, eye_m, new_name, sigma_deg, site_toml
from apexfix.text_file import write_text

T = TypeVar("T")

_HELP: Final = f"Angles: 45.5  45,5  45 30  45 deg 30 min.  {LOST} lost   (empty) no azimuth   {BACK} back   {QUIT} quit"


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@reports_errors
def enter(day: Path) -> None:
    """Ask for the readings of one flight after the other, and add them to DAY/sightings.csv.

    Each flight is on the disk before its height is shown. Entering a flight again corrects it: the last reading of a station
    counts, the earlier one stays in the file. Ends with q, Ctrl-C or the end of the input. A day without a site.toml is asked
    where the observers stood first.
    """
    path = day / SITE_NAME
    if not path.exists():
        _ask_for_the_site(path)
    site = read_site(path)
    click.echo(_HELP)
    known = _known(day, site)
    while (finished := _one_flight(Entry(site, max(known, default=0) + 1, known))) is not None:
        _keep(day, site, finished)
        known = _known(day, site)
    click.echo(f"\n{len(known)} flight{'' if len(known) == 1 else 's'} in {day / SIGHTINGS_NAME}")


def _ask_for_the_site(path: Path) -> None:
    """Write a site.toml from answers; none where fewer than two places are told."""
    click.echo(f"{path} is not there yet. Where did everybody stand, measured from the pad?")
    places: list[Place] = []
    try:
        while (place := _place(tuple(place.name for place in places))) is not None:
            places.append(place)
        if len(places) < 2:
            click.echo("    a height needs two places; nothing is written")
            return
        sigma = _asked(f"an angle was read to how many degrees, one sigma [{SIGMA_DEG:g}]", sigma_deg)
    except click.Abort:  # Ctrl-C, or the end of the input
        return
    write_text(path, site_toml(path.resolve().parent.name, places, sigma))
    click.echo(f"written: {path}\n")


def _place(known: tuple[str, ...]) -> Place | None:
    name = _asked("station (empty: that was all)", lambda words: new_name(words, known) if words.strip() else "")
    if not name:
        return None
    return Place(
        name,
        _asked("  metres from the pad", distance_m),
        _asked("  bearing from the pad, degrees clockwise from true north", bearing_deg),
        _asked(f"  eye above the foot of the pad, metres [{EYE_M:g}]", eye_m),
    )


def _asked(question: str, parsed: Callable[[str], T]) -> T:
    while True:
        try:
            return parsed(click.prompt(question, default="", show_default=False))
        except Unfit as unfit:
            click.echo(f"    {unfit}")


def _known(day: Path, site: Site) -> frozenset[int]:
    path = day / SIGHTINGS_NAME
    return frozenset(sighting.flight for sighting in read_sightings(path, site)) if path.exists() else frozenset()


def _one_flight(entry: Entry) -> Finished | None:
    """Ask until a flight is entered; None where the person is done."""
    while True:
        try:
            words = click.prompt(question(entry), default="", show_default=False)
        except click.Abort:  # Ctrl-C, or the end of the input
            return None
        if words.strip().lower() == QUIT:
            return None
        try:
            after = answered(entry, words)
        except Unfit as unfit:
            click.echo(f"    {unfit}")
            continue
        if isinstance(after, Finished):
            return after
        if entry.flight is None and after.flight in entry.known:
            click.echo("    this flight has readings; those that you enter now count instead")
        entry = after


def _keep(day: Path, site: Site, finished: Finished) -> None:
    if not finished.sightings:
        click.echo(f"  flight {finished.flight}: nothing read, nothing written")
        return
    append_sightings(day / SIGHTINGS_NAME, finished.sightings, site)
    everything = read_sightings(day / SIGHTINGS_NAME, site)
    flights = flights_from_hand(sighting for sighting in everything if sighting.flight == finished.flight)
    for result in reduce_day(site, flights).flights:
        known = f"{height_words(result)} (95 %: {interval_words(result)})" if result.interval95_m else height_words(result)
        click.echo(f"  flight {result.flight}: {known}, closure {closure_words(result)}, {result.verdict.value}")
        for reason in result.reasons:
            click.echo(f"    {reason}")
