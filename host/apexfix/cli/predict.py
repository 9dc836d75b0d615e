"""apexfix predict: how high a rocket will fly, as intervals."""

import json
from pathlib import Path

import click

from apexfix.cli.failure import reports_errors


@click.command()
@click.argument("rocket", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
@click.option("--samples", type=click.IntRange(100, 100_000), default=10_000, show_default=True, help="Random flights to draw.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="The same seed draws the same flights.")
@reports_errors
def predict(rocket: Path, as_json: bool, samples: int, seed: int) -> None:
    """Predict the flight of the rocket that the file ROCKET describes.

    Ends with 0 where there is an answer, 4 where a file is wrong, 5 where the rocket cannot fly or must not.
    """
    from apexfix.predict.outlook import forecast
    from apexfix.predict.rocket_file import read_rocket
    from apexfix.predict.words import forecast_json, forecast_text

    file = read_rocket(rocket)
    told = forecast(file.rocket, samples, seed)
    click.echo(json.dumps(forecast_json(file, told), indent=2) if as_json else forecast_text(file, told))
