"""What a comparison says in sentences: do the two agree within what they state, how firm is that, and what would settle it."""

from collections.abc import Iterator, Mapping
from math import sqrt
from typing import Final

import numpy as np

from apexfix.air import ZERO_CELSIUS_K
from apexfix.compare.agreement import Consistency, detectable
from apexfix.compare.altimeter import INSTRUMENT, SENSOR
from apexfix.compare.answer import Compared, Comparison
from apexfix.compare.barometer import SIGMA_THERMOMETER_K, TEMPERATURE
from apexfix.compare.pairing import offset_words
from apexfix.report.rounding import decimals, fixed

_LIKELY: Final = 0.05
_FEW: Final = 10  # pairs below which a limit of agreement is known to within 60 % of its distance from the bias or worse
_LARGEST_TEMPERATURE_K: Final = 25.0  # no thermometer is wrong by more
_ADVICE: Final[Mapping[str, str]] = {
    TEMPERATURE: "read a thermometer in the shade at the pad, and give it with --temperature or in the file",
    "pressure at the pad": "give the pressure at the pad with --pressure, or the pad's height in site.toml",
    "humidity": "give the relative humidity with --humidity",
    "lapse rate": "fly when the ground is neither hot nor frozen; nothing at the pad can measure the air above",
    "gravity": "give the pad's latitude in site.toml",
    SENSOR: "compare the altimeter with a second one, or on stairs whose height was taped",
    INSTRUMENT: "log the whole flight and compare the log instead of the announced apogee",
}


def sentences(told: Comparison) -> tuple[str, ...]:
    """Return the answer: first the verdict, then how far it reaches, then what would settle what is open."""
    if told.fit is None:
        return ("No flight was measured by both, so there is nothing to compare; the reasons stand beside each flight.",)
    return (_verdict(told, told.fit), *_how_few(told), *_reach(told, told.fit), *_settle(told, told.fit), *_clock(told))


def _verdict(told: Comparison, fit: Consistency) -> str:
    count = len(told.compared)
    flights = "1 flight" if count == 1 else f"{count} flights"
    if fit.probability >= _LIKELY:
        return (
            f"Yes: on {flights} the heights from the ground and the altimeter's agree within their stated uncertainties "
            f"(chi-square {fit.chi2:.1f} on {fit.freedom}, probability {fit.probability:.2f})."
        )
    return (
        f"No: on {flights} the two differ by more than their stated uncertainties allow "
        f"(chi-square {fit.chi2:.1f} on {fit.freedom}, probability {fit.probability:.2g}). {_what_differs(told, fit)}"
    )


def _what_differs(told: Comparison, fit: Consistency) -> str:
    worst = max(told.compared, key=lambda row: abs(row.normalised_error))
    if len(told.compared) == 1:
        return f"Flight {worst.flight} differs by {worst.difference_m:+z.1f} m."
    shift = f"All flights are {'higher' if fit.shift > 0 else 'lower'} from the ground by about {abs(fit.shift):.1f} m"
    scatter = f"flight {worst.flight} stands out by {worst.difference_m:+z.1f} m (E_n {worst.normalised_error:+z.1f})"
    if fit.shift_probability < _LIKELY <= fit.scatter_probability:
        return f"{shift}, while they scatter as stated: one cause common to the day, not bad readings."
    if fit.scatter_probability < _LIKELY <= fit.shift_probability:
        return f"They scatter more than stated, without a common shift: {scatter}."
    return f"{shift}, and they scatter more than stated: {scatter}."


def _how_few(told: Comparison) -> Iterator[str]:
    count = len(told.compared)
    if count == 1:
        yield "One flight allows this one test and no statistics: neither a bias nor limits of agreement can be told from it."
    elif count == 2:
        yield "Two flights allow a bias with a very wide interval and no limits of agreement: those need three flights or more."
    elif told.limits is not None and told.bias is not None and count < _FEW:
        half = (told.limits.high - told.limits.low) / 2
        outer = told.limits.high_interval95[1] - told.bias.mean
        yield (
            f"{count} flights are few: the limits of agreement lie {half:.1f} m either side of the bias, but may well be "
            f"{outer:.1f} m from it."
        )


def _reach(told: Comparison, fit: Consistency) -> Iterator[str]:
    unseen = detectable(fit.sigma_shift)
    mean = float(np.mean([row.control_m for row in told.compared]))
    yield (
        f"Agreement of both does not prove either right: a common difference below {unseen:.1f} m ({100 * unseen / mean:.0f} % of "
        "the mean height) would have gone unnoticed more than once in five days like this one."
    )


def _settle(told: Comparison, fit: Consistency) -> Iterator[str]:
    if fit.probability < _LIKELY and fit.shift_probability < _LIKELY:
        yield from _explanations(told)
    source, part, whole = _largest_common(told.compared)
    share = f"{source} ({fixed(part, decimals(part))} m of {fixed(whole, decimals(whole))} m)"
    advice = _ADVICE.get(source, "survey the stations again, and take a backsight before and after each flight")
    airs = [row.control.air for row in told.compared if row.control.air is not None]
    if source == TEMPERATURE and airs and all(air.sigma_temperature_k <= SIGMA_THERMOMETER_K for air in airs):
        advice = "read a better thermometer, shaded and in moving air, right before and after each flight"
    yield f"What would settle more: {advice}. The largest cause common to all flights is {share}; it does not average out."
    floor = sqrt(sum(part**2 for part in _common(told.compared).values()))
    if fit.sigma_shift > 1.3 * floor:
        wanted = int(np.ceil(len(told.compared) * (fit.sigma_shift**2 - floor**2) / (1.3**2 - 1) / max(floor, 1e-3) ** 2))
        more = f"some {wanted} flights" if wanted <= 200 else "more flights"
        yield f"More flights help too: {more} would bring what can be noticed near to {detectable(1.3 * floor):.1f} m."


def _explanations(told: Comparison) -> Iterator[str]:
    """Say what temperature, and what scale, would bring the two together."""
    ratio = float(np.sum([row.ground_m for row in told.compared]) / np.sum([row.control_m for row in told.compared]))
    yield f"One scale would do it: the heights from the ground are {100 * (ratio - 1):+z.1f} % of the altimeter's."
    air = told.compared[0].control.air
    if air is not None and abs(warmer := air.temperature_k * (ratio - 1)) <= _LARGEST_TEMPERATURE_K:
        yield (
            f"Air {abs(warmer):.0f} K {'warmer' if warmer > 0 else 'colder'} than {air.temperature_k - ZERO_CELSIUS_K:.0f} °C "
            "would explain it on the altimeter's side; baselines wrong by that scale would on the ground's."
        )


def _largest_common(compared: tuple[Compared, ...]) -> tuple[str, float, float]:
    """Return the largest cause common to all flights, its mean sigma, and the mean sigma of a difference."""
    means = _common(compared)
    largest = max(means, key=lambda name: means[name])
    whole = float(np.mean([np.hypot(row.sigma_ground_m, row.sigma_control_m) for row in compared]))
    return largest, means[largest], whole


def _common(compared: tuple[Compared, ...]) -> dict[str, float]:
    """Return the mean sigma of each cause that moves all flights alike."""
    names = dict.fromkeys(name for row in compared for name in row.control.common_m)
    means = {name: float(np.mean([row.control.common_m.get(name, 0.0) for row in compared])) for name in names}
    return means | {"what the ground stations have in common": float(np.mean([row.ground_common_m for row in compared]))}


def _clock(told: Comparison) -> Iterator[str]:
    if told.clock_offset_s:
        yield offset_words(told.clock_offset_s)
