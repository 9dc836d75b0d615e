"""apexfix learn: what the measured flights of a day say about the rocket that made them."""

import json
from pathlib import Path

import click

from apexfix.cli.failure import reports_errors


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.argument("rocket", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
@click.option("--out", type=click.Path(path_type=Path), help="Write a ROCKET.toml that states what is known now.")
@click.option("--flight", "flights", type=click.IntRange(1), multiple=True, help="A flight of this rocket; all when left out.")
@click.option("--time-to-apex", "times", multiple=True, metavar="FLIGHT=SECONDS", help="From lift-off, by stop-watch or video.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="The same seed gives the same answer.")
@reports_errors
def learn(
    day: Path, rocket: Path, as_json: bool, out: Path | None, flights: tuple[int, ...], times: tuple[str, ...], seed: int
) -> None:
    """Learn drag and speed of the rocket in the file ROCKET from the measured flights of the folder DAY.

    Ends with 0 where there is an answer, 4 where a file is wrong and 5 where no flight can be used.
    """
    from apexfix.cli.reduction import reduced
    from apexfix.learn.evidence import evidence
    from apexfix.learn.flights_file import day_conditions
    from apexfix.learn.lesson import lesson, next_rocket
    from apexfix.learn.words import lesson_json, lesson_text
    from apexfix.predict import read_rocket
    from apexfix.reduce.options import Options
    from apexfix.text_file import write_text

    file = read_rocket(rocket)
    conditions = day_conditions(day, _seconds(times))
    told = lesson(file.rocket, evidence(reduced(day, Options()).flights, file.rocket, conditions, flights), seed=seed)
    if out:
        write_text(out, next_rocket(rocket, told, out.parent))
        click.echo(f"wrote {out}", err=True)
    click.echo(json.dumps(lesson_json(told), indent=2) if as_json else lesson_text(told))


def _seconds(times: tuple[str, ...]) -> dict[int, float]:
    """Return the times by the numbers of their flights."""
    found = {}
    for word in times:
        flight, _, seconds = word.partition("=")
        try:
            found[int(flight)] = float(seconds)
        except ValueError:
            raise click.BadParameter(f"{word!r} seen, FLIGHT=SECONDS like 2=4.6 expected", param_hint="--time-to-apex") from None
        if not 0 < found[int(flight)] <= 600:
            raise click.BadParameter(f"{word!r} seen, above 0 and up to 600 s expected", param_hint="--time-to-apex")
    return found
