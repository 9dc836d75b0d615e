"""apexfix plan: where to stand, and whether it is safe."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from apexfix.cli.failure import reports_errors
from apexfix.units import DEG

if TYPE_CHECKING:  # the command loads its rooms when it runs, so that help is instant
    from apexfix.plan.answer import Request
    from apexfix.plan.premises import Premises
    from apexfix.plan.sunwatch import Moment

_ANGLE = click.FloatRange(0, 360)
_SIGMA = click.FloatRange(0, 45, min_open=True)
_BAR_PA: Final = 1e5
_HIGHEST_M: Final = 20_000.0
_STATED: Final = ("wind", "descent", "tilt", "motor_class", "pressure")  # what a ROCKET.toml tells by itself
_CLASSES = ("1/4A", "1/2A", "A", "B", "C", "D", "E", "F", "G")


@click.command()
@click.option("--apogee", type=(float, float), metavar="LO HI", help="Expected 95 % interval of the apex above the pad, in metres.")
@click.option("--rocket", type=click.Path(path_type=Path), help="Or a ROCKET.toml: the interval is predicted.")
@click.option("--stations", type=click.IntRange(1, 8), default=3, show_default=True, help="How many observers.")
@click.option("--elevation-only", is_flag=True, help="Nobody reads an azimuth.")
@click.option(
    "--sigma-elevation", type=_SIGMA, default=1.0, show_default=True, help="One standard deviation of an elevation, in degrees."
)
@click.option("--sigma-azimuth", type=_SIGMA, default=1.0, show_default=True, help="The same of an azimuth.")
@click.option("--field", type=click.Path(path_type=Path), help="A file with the outline of the field around the pad.")
@click.option("--wind", type=click.FloatRange(0, 40), help="Wind 2 m up in m/s, for --apogee; a ROCKET.toml holds its own.")
@click.option("--wind-from", type=_ANGLE, help="True bearing that the wind comes from, in degrees.")
@click.option("--descent", type=click.FloatRange(0.1, 200), help="Rate of descent in m/s, for --apogee.")
@click.option(
    "--tilt", type=click.FloatRange(0, 60), help="Lean of the launcher in degrees, for --apogee; without it the codes' limit of 30."
)
@click.option("--motor-class", type=click.Choice(_CLASSES), help="Class of the motor, for --apogee.")
@click.option(
    "--pressure", type=click.FloatRange(0, 100, min_open=True), help="Gauge pressure of a water rocket in bar, for --apogee."
)
@click.option("--when", help="UTC of the launch, as 2026-05-01T10:20Z: looks at the Sun.")
@click.option("--latitude", type=click.FloatRange(-90, 90), help="Of the pad in degrees, for the Sun.")
@click.option("--longitude", type=click.FloatRange(-180, 180), help="Of the pad in degrees, east is positive.")
@click.option(
    "--height", type=click.FloatRange(-500, 9000), default=0.0, show_default=True, help="Of the pad above the sea in metres."
)
@click.option(
    "--declination", type=click.FloatRange(-180, 180), help="Of the compass in degrees, east is positive: adds its bearings."
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for site.toml, field.svg, plan.txt and plan.json."
)
@click.option("--json", "as_document", is_flag=True, help="Print one JSON document and nothing else.")
@reports_errors
def plan(out: Path | None, as_document: bool, declination: float | None, **asked: Any) -> None:
    """Choose where to stand before a launch, and check the plan against published figures of safety.

    Ends with 0 where there is an answer, 4 where a file is wrong, 5 where the field has no room or the rocket must not fly.
    """
    from apexfix.plan.answer import make_plan
    from apexfix.plan.document import plan_document
    from apexfix.plan.files import refuse_a_surveyed_folder, write_plan
    from apexfix.plan.words import plan_text
    from apexfix.report.jsonout import as_json

    if out is not None:
        refuse_a_surveyed_folder(out)
    answer = make_plan(_request(asked))
    needle_rad = _radians(declination)
    click.echo(as_json(plan_document(answer)) if as_document else plan_text(answer, needle_rad))
    if out is not None:
        for path in write_plan(answer, out, needle_rad):
            click.echo(f"written: {path}", err=as_document)


def _request(asked: Mapping[str, Any]) -> "Request":
    from apexfix.plan.accuracy import Readings
    from apexfix.plan.answer import Request
    from apexfix.plan.field import read_field

    known = _premises(asked)
    azimuth_rad = None if asked["elevation_only"] else asked["sigma_azimuth"] * DEG
    field = None if asked["field"] is None else read_field(asked["field"])
    readings = Readings(asked["sigma_elevation"] * DEG, azimuth_rad)
    return Request(known.expected, readings, asked["stations"], field, known.advice, known.limits, _moment(asked))


def _premises(asked: Mapping[str, Any]) -> "Premises":
    from apexfix.plan.expected import Wind
    from apexfix.plan.premises import Stated, predicted, stated

    if (asked["apogee"] is None) == (asked["rocket"] is None):
        raise click.UsageError("exactly one of --apogee LO HI and --rocket ROCKET.toml is expected")
    if asked["rocket"] is not None:
        for name in _STATED:
            if asked[name] is not None:
                raise click.UsageError(f"--{name.replace('_', '-')} seen beside --rocket; write it into the ROCKET.toml")
        return predicted(asked["rocket"], _radians(asked["wind_from"]))
    if not 0 < asked["apogee"][0] <= asked["apogee"][1] <= _HIGHEST_M:
        raise click.UsageError(f"--apogee {asked['apogee']} seen, 0 < LO <= HI <= {_HIGHEST_M:g} expected")
    if asked["motor_class"] is not None and asked["pressure"] is not None:
        raise click.UsageError("--motor-class and --pressure seen, only one of them expected")
    wind = Wind(asked["wind"], _radians(asked["wind_from"]))
    pressure_pa = None if asked["pressure"] is None else asked["pressure"] * _BAR_PA
    return stated(Stated(asked["apogee"], wind, asked["descent"], _radians(asked["tilt"]), asked["motor_class"], pressure_pa))


def _moment(asked: Mapping[str, Any]) -> "Moment | None":
    from apexfix.plan.sunwatch import Moment

    given = [asked[name] is not None for name in ("when", "latitude", "longitude")]
    if not any(given):
        return None
    if not all(given):
        raise click.UsageError("--when, --latitude and --longitude are expected together: the Sun needs all three")
    try:
        when = datetime.fromisoformat(asked["when"])
    except ValueError as error:
        raise click.UsageError(f"--when {asked['when']} seen, a UTC time like 2026-05-01T10:20Z expected") from error
    utc = when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
    return Moment(utc, asked["latitude"] * DEG, asked["longitude"] * DEG, asked["height"])


def _radians(degrees: float | None) -> float | None:
    return None if degrees is None else degrees * DEG
