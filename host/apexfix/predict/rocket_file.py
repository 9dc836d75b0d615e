"""ROCKET.toml: what a person knows about a rocket, its engine, the launcher and the weather."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path
from typing import Final

import numpy as np

from apexfix.air import WIND_EXPONENT, ZERO_CELSIUS_K, Air, moist_density, standard_pressure
from apexfix.fields import Check, anything, matching, number, text, whole
from apexfix.predict.bottle import EXPONENTS
from apexfix.predict.quantity import Quantity
from apexfix.predict.rocket import Bottle, Burnout, Motor, Rocket, correlation_factor
from apexfix.predict.thrust import ThrustTable, constant_thrust, read_thrust, total_impulse
from apexfix.toml_tables import Document, Table, parsed, table, tables
from apexfix.units import DEG

LARGEST_ROCKET_BYTES: Final = 1 << 18
LITRE_M3: Final = 1e-3
KINDS: Final = {"water": "water", "motor": "motor", "burnout": "burnout"}  # kind -> the table that describes it


@dataclass(frozen=True, slots=True)
class Figure:
    """A field that may have a spread: ``sigma_`` before its name."""

    name: str  # in Rocket.quantities
    field: str
    check: Check
    unit: float  # package's own units in one of the field's
    share: float = 0.0  # sigma where the file states none: of the value
    least: float = 0.0  # and this much at least, in the field's unit
    positive: bool = True


# share and least are for files that state no sigma: common practice, no source, what a careful person with household tools knows.
# The report says which of them were used.
FIGURES: Final[Mapping[str, tuple[Figure, ...]]] = {
    "rocket": (
        Figure("drag_coefficient", "drag_coefficient", number(0, 5, above=True), 1.0, share=0.15),
        Figure("dry_mass_kg", "dry_mass_kg", number(0, 1000, above=True), 1.0, share=0.01),
    ),
    "launch": (Figure("tilt_rad", "tilt_deg", number(-60, 60), DEG, least=2.0, positive=False),),
    "weather": (Figure("wind_m_s", "wind_m_s", number(0, 40), 1.0, share=0.3, least=0.5),),
    "descent": (Figure("descent_m_s", "speed_m_s", number(0.1, 200), 1.0, share=0.15),),
    "water": (
        Figure("pressure_pa", "pressure_kpa", number(0, 10_000, above=True), 1000.0, share=0.03),
        Figure("water_m3", "water_l", number(0, 1000, above=True), LITRE_M3, share=0.03),
        Figure("exponent", "polytropic_exponent", number(*EXPONENTS), 1.0, least=0.1),
    ),
    "motor": (
        Figure("impulse_ns", "impulse_ns", number(0, 1e6, above=True), 1.0, share=0.05),
        Figure("burn_time_s", "burn_time_s", number(0, 1000, above=True), 1.0, share=0.10),
        Figure("delay_s", "delay_s", number(0, 100), 1.0, share=0.15),
    ),
    "burnout": (Figure("burnout_m_s", "speed_m_s", number(0, 1000, above=True), 1.0, share=0.05),),
}
_PLAIN: Final[Mapping[str, Mapping[str, Check]]] = {
    "rocket": {
        "name": text(200),
        "kind": matching("|".join(KINDS), "'water', 'motor' or 'burnout'"),
        "diameter_mm": number(0, 2000, above=True),
    },
    "launch": {"rail_m": number(0.01, 20)},
    "weather": {
        "temperature_c": number(-40, 55),
        "pressure_hpa": number(500, 1090),
        "pad_height_m": number(-430, 5000),
        "humidity_percent": number(0, 100),
        "wind_height_m": number(1, 100),
        "wind_exponent": number(0, 0.6),
    },
    "descent": {},
    "water": {
        "volume_l": number(0, 1000, above=True),
        "nozzle_mm": number(0, 500, above=True),
        "tube_mm": number(0, 500),
        "tube_length_m": number(0, 5),
    },
    "motor": {
        "thrust_file": text(300),
        "propellant_kg": number(0, 1000, above=True),
        "loaded_mass_kg": number(0, 1000, above=True),
    },
    "burnout": {"height_m": number(0, 10_000), "time_s": number(0, 1000)},
}
_REQUIRED: Final[Mapping[str, tuple[str, ...]]] = {
    "rocket": ("name", "kind", "diameter_mm", "drag_coefficient", "dry_mass_kg"),
    "launch": ("tilt_deg", "rail_m"),
    "weather": ("temperature_c", "wind_m_s"),
    "descent": ("speed_m_s",),
    "water": ("volume_l", "water_l", "pressure_kpa", "nozzle_mm"),
    "motor": ("propellant_kg", "loaded_mass_kg"),
    "burnout": ("speed_m_s",),
}
_USUAL: Final = {"polytropic_exponent": 1.25}  # between no heat from the walls (1.4) and all of it (1.0); an assumption
_COMMON: Final = ("rocket", "launch", "weather", "descent")


@dataclass(frozen=True, slots=True)
class RocketFile:
    """A rocket and what its file left to assumptions."""

    rocket: Rocket
    assumed: tuple[str, ...]  # sentences


def read_rocket(path: Path) -> RocketFile:
    """Return the rocket that a ROCKET.toml describes; a thrust file's name counts from the folder of the ROCKET.toml.

    Raises
    ------
    FileError
        A file is missing, too large or not what it should be, or a field is unknown, missing, of the wrong kind or out of range.
    """
    document = parsed(path, LARGEST_ROCKET_BYTES)
    known = {"format": whole(1, 1), "correlation": anything, **dict.fromkeys(FIGURES, anything)}
    table(document, (), known, required=("format", *_COMMON))
    rows = {name: _row(document, name) for name in _COMMON}
    own = rows["rocket"].values["kind"]
    for other in KINDS:
        if other != own and other in document.content:
            raise rows["rocket"].error(f"{own!r} seen beside a table [{other}], only the table [{own}] expected", "kind")
    rows[own] = _row(document, own)
    spreads = [_quantity(row, figure) for name, row in rows.items() for figure in FIGURES[name] if _stated(row, figure)]
    quantities = {figure.name: quantity for figure, quantity, _ in spreads}
    engine = _engine(own, rows[own], quantities)
    rocket = replace(_rocket(rows, engine, quantities), correlations=_correlations(document, quantities))
    return RocketFile(rocket, tuple(words for _, _, words in spreads if words))


def _row(document: Document, name: str) -> Table:
    spread = {figure.field: figure.check for figure in FIGURES[name]}
    sigmas = {f"sigma_{figure.field}": number(0, 1e6) for figure in FIGURES[name]}
    return table(document, (name,), {**_PLAIN[name], **spread, **sigmas}, required=_REQUIRED[name])


def _stated(row: Table, figure: Figure) -> bool:
    if figure.field in row.values or figure.field in _USUAL:
        return True
    if f"sigma_{figure.field}" in row.values and row.place != ("motor",):
        raise row.error(f"nothing seen, {figure.field} expected because its sigma is given", figure.field)
    return False


def _quantity(row: Table, figure: Figure) -> tuple[Figure, Quantity, str]:
    """Return a figure with its spread, and a sentence where something was assumed."""
    value = float(row.values.get(figure.field, _USUAL.get(figure.field, 0.0)))
    sigma, words = _sigma(row, figure, value)
    if figure.field not in row.values:
        words = f"{figure.field} = {value:g} with a sigma of {sigma:g}"
    return figure, Quantity(value * figure.unit, sigma * figure.unit, figure.positive), words


def _sigma(row: Table, figure: Figure, value: float) -> tuple[float, str]:
    """Return a sigma in the field's unit, and a sentence where the file does not state it."""
    field = f"sigma_{figure.field}"
    if field in row.values:
        sigma = float(row.values[field])
        if figure.positive and sigma > value > 0:
            raise row.error(f"{sigma:g} seen, a sigma up to the figure's own {value:g} expected", field)
        return sigma, ""
    sigma = max(figure.share * value, figure.least)
    return sigma, f"{field} = {sigma:g}"


def _engine(kind: str, row: Table, quantities: dict[str, Quantity]) -> Bottle | Motor | Burnout:
    match kind:
        case "water":
            return _bottle(row)
        case "motor":
            return _motor(row, quantities)
    return Burnout(row.values.get("height_m", 0.0), row.values.get("time_s", 0.0))


def _bottle(row: Table) -> Bottle:
    volume_l, water_l, nozzle_mm = (row.values[field] for field in ("volume_l", "water_l", "nozzle_mm"))
    if water_l >= volume_l:
        raise row.error(f"{water_l:g} l of water seen in a bottle of {volume_l:g} l, less expected", "water_l")
    tube_mm, tube_m = row.values.get("tube_mm", 0.0), row.values.get("tube_length_m", 0.0)
    if tube_mm > nozzle_mm:
        raise row.error(f"{tube_mm:g} mm seen, at most the nozzle's {nozzle_mm:g} mm expected", "tube_mm")
    if (tube_mm > 0) != (tube_m > 0):
        raise row.error("seen alone, tube_mm and tube_length_m expected together", "tube_mm" if tube_mm else "tube_length_m")
    return Bottle(volume_l * LITRE_M3, pi / 4 * (nozzle_mm / 1000) ** 2, pi / 4 * (tube_mm / 1000) ** 2, tube_m)


def _motor(row: Table, quantities: dict[str, Quantity]) -> Motor:
    """Return the motor; its curve's impulse and burn time join the quantities where the file does not scale them."""
    propellant_kg, loaded_kg = row.values["propellant_kg"], row.values["loaded_mass_kg"]
    if propellant_kg >= loaded_kg:
        raise row.error(f"{propellant_kg:g} kg seen, less than the loaded motor's {loaded_kg:g} kg expected", "propellant_kg")
    curve = _curve(row, quantities)
    for name, value in (("impulse_ns", total_impulse(curve)), ("burn_time_s", float(curve.time_s[-1]))):
        if name not in quantities:
            figure = next(figure for figure in FIGURES["motor"] if figure.name == name)
            quantities[name] = Quantity(value, _sigma(row, figure, value)[0])
    return Motor(curve, propellant_kg, loaded_kg - propellant_kg)


def _curve(row: Table, quantities: dict[str, Quantity]) -> ThrustTable:
    if "thrust_file" in row.values:
        return read_thrust(row.document.path.parent / row.values["thrust_file"])
    for name in ("impulse_ns", "burn_time_s"):
        if name not in quantities:
            raise row.error(f"nothing seen, thrust_file or both impulse_ns and burn_time_s expected; {name} is missing", name)
    return constant_thrust(quantities["impulse_ns"].value, quantities["burn_time_s"].value)


def _correlations(document: Document, quantities: Mapping[str, Quantity]) -> dict[tuple[str, str], float]:
    """Return the correlations of the file, by pairs of names in Rocket.quantities."""
    here = [(place, figure) for place, row in FIGURES.items() for figure in row if figure.name in quantities]
    known = {f"{place}.{figure.field}": figure.name for place, figure in here}
    one_of = matching("|".join(map(re.escape, known)), f"one of {', '.join(known)}")
    checks = {"between": one_of, "and": one_of, "coefficient": number(-0.999999, 0.999999)}
    found: dict[tuple[str, str], float] = {}
    for row in tables(document, "correlation", checks, required=tuple(checks)):
        one, other = known[row.values["between"]], known[row.values["and"]]
        if one == other or (one, other) in found or (other, one) in found:
            raise row.error("a pair of two different figures expected, and each pair once", "and")
        found[one, other] = row.values["coefficient"]
        _refuse_contradiction(row, list(quantities), found)
    return found


def _refuse_contradiction(row: Table, names: list[str], found: Mapping[tuple[str, str], float]) -> None:
    try:
        correlation_factor(names, found)
    except np.linalg.LinAlgError:
        words = "this contradicts the correlations before it, a coefficient nearer to zero expected"
        raise row.error(words, "coefficient") from None


def _rocket(rows: Mapping[str, Table], engine: Bottle | Motor | Burnout, quantities: Mapping[str, Quantity]) -> Rocket:
    main, launch = rows["rocket"].values, rows["launch"].values
    return Rocket(main["name"], engine, main["diameter_mm"] / 1000, launch["rail_m"], _air(rows["weather"]), quantities)


def _air(row: Table) -> Air:
    weather, kelvin, pascal = row.values, row.values["temperature_c"] + ZERO_CELSIUS_K, _pressure(row)
    return Air(
        temperature_k=kelvin,
        pressure_pa=pascal,
        density_kg_m3=moist_density(kelvin, pascal, weather.get("humidity_percent", 50.0) / 100),
        wind_height_m=weather.get("wind_height_m", 2.0),  # a meter held in the hand
        wind_exponent=weather.get("wind_exponent", WIND_EXPONENT),
    )


def _pressure(row: Table) -> float:
    """Return the pressure at the pad in Pa: as measured there, or the standard one of the pad's height above the sea."""
    if ("pressure_hpa" in row.values) == ("pad_height_m" in row.values):
        raise row.error("exactly one of pressure_hpa (at the pad) and pad_height_m (above the sea) expected", "pressure_hpa")
    if "pressure_hpa" in row.values:
        return float(row.values["pressure_hpa"]) * 100
    return standard_pressure(row.values["pad_height_m"])
