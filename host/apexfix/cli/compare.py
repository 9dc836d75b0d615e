"""apexfix compare: the heights of a day against an on-board barometric altimeter."""

from pathlib import Path

import click

from apexfix.cli.failure import reports_errors


@click.command()
@click.argument("day", type=click.Path(path_type=Path))
@click.argument("control", type=click.Path(path_type=Path))
@click.option("--json", "as_document", is_flag=True, help="Print one JSON document and nothing else.")
@click.option("--temperature", type=click.FloatRange(-60, 60), metavar="CELSIUS", help="Of the air at the pad, in the shade.")
@click.option("--humidity", type=click.FloatRange(0, 100), metavar="PERCENT", help="Relative humidity at the pad.")
@click.option("--pressure", type=click.FloatRange(300, 1100), metavar="HPA", help="At the pad, not reduced to the sea.")
@click.option("--corrected", is_flag=True, help="The altimeter's heights are corrected for temperature already.")
@click.option("--flight", "flights", type=click.IntRange(1), multiple=True, help="Whose control it is; repeat in its order.")
@click.option("--clock-offset", type=float, metavar="SECONDS", help="What has to be added to the altimeter's time.")
@reports_errors
def compare(
    day: Path,
    control: Path,
    as_document: bool,
    temperature: float | None,
    humidity: float | None,
    pressure: float | None,
    corrected: bool,
    flights: tuple[int, ...],
    clock_offset: float | None,
) -> None:
    """Compare the heights of the folder DAY with those of the altimeter in the file CONTROL.

    Writes comparison.html and comparison.csv into the folder DAY/report. Ends with 0 where every flight of the control file was
    compared, 1 where one was left out, 4 where a file is wrong and 5 where nothing can be compared.
    """
    from apexfix.air import ZERO_CELSIUS_K
    from apexfix.cli.reduction import reduced
    from apexfix.compare.barometer import Weather
    from apexfix.compare.day import Said, compared
    from apexfix.compare.page import write_comparison
    from apexfix.compare.words import comparison_document, comparison_text, exit_code
    from apexfix.reduce.options import Options
    from apexfix.report.jsonout import as_json

    weather = Weather(
        temperature_k=None if temperature is None else temperature + ZERO_CELSIUS_K,
        humidity=None if humidity is None else humidity / 100,
        pressure_pa=None if pressure is None else pressure * 100,
    )
    told = compared(reduced(day, Options()), control, Said(weather, corrected, flights, clock_offset))
    page = write_comparison(told, day / "report")
    click.echo(as_json(comparison_document(told)) if as_document else comparison_text(told))
    click.echo(f"comparison: {page}", err=as_document)
    raise click.exceptions.Exit(exit_code(told))
