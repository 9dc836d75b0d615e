"""The site.toml of a plan: what the day will need, with the planned places until they are measured."""

from apexfix.plan.answer import Plan
from apexfix.plan.ground import EYE_M
from apexfix.plan.words import polar
from apexfix.units import DEG


def site_stub(plan: Plan, declination_rad: float | None) -> str:
    """Return the text of a site.toml; its bearings are those of a compass where there is a declination."""
    return "\n".join([*_head(plan, declination_rad), *_pad(plan), *_stations(plan, declination_rad or 0.0)])


def _head(plan: Plan, declination_rad: float | None) -> list[str]:
    name = "Planned site" if plan.request.field is None else plan.request.field.name
    needle = "true" if declination_rad is None else "magnetic"
    magnetic = [] if declination_rad is None else [f"declination_deg = {declination_rad / DEG:g}"]
    return [
        f"# Planned places. Correct every figure to what you measured on the field; bearings are {needle}.",
        "format = 1",
        "",
        "[site]",
        f"name = {_quoted(name)}",
        *magnetic,
        "",
    ]


def _pad(plan: Plan) -> list[str]:
    moment = plan.request.moment
    if moment is None:
        return []
    place = {"latitude_deg": moment.latitude_rad / DEG, "longitude_deg": moment.longitude_rad / DEG, "height_m": moment.height_m}
    return ["[pad]", *(f"{field} = {round(value, 7)}" for field, value in place.items()), ""]


def _stations(plan: Plan, declination_rad: float) -> list[str]:
    lines = []
    readings = plan.request.readings
    for name, metres, bearing in polar(plan):
        lines += ["[[station]]", f'id = "{name}"', f"distance_m = {metres}"]
        lines += [f"bearing_deg = {round(bearing - declination_rad / DEG, 2) % 360:g}", f"up_m = {EYE_M}"]
        lines += [f"sigma_elevation_deg = {round(readings.sigma_elevation_rad / DEG, 6):g}"]
        if readings.sigma_azimuth_rad is not None:
            lines += [f"sigma_azimuth_deg = {round(readings.sigma_azimuth_rad / DEG, 6):g}"]
        lines += [""]
    return lines


def _quoted(name: str) -> str:
    backslash = "\\"
    return '"' + name.replace(backslash, backslash * 2).replace('"', backslash + '"') + '"'
