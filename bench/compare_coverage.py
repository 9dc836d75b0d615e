"""How often the intervals of `apexfix compare` hold the truth, over simulated days with few flights.

Printed beside: the approximate interval of a limit of agreement of Bland & Altman (1986), standard error sqrt(3 / n) sd, which a
user would otherwise take; how often the test of agreement cries wolf at 5 % when all is as stated, and how often one does that
takes every error as independent; how often an apex from a simulated log lies within two of its sigmas, and what the highest sample
says. Last, whole days: sighted from three stations, logged through an air that is not the one stated, reduced, paired and compared.
"""

import sys
from dataclasses import replace
from math import sqrt
from pathlib import Path

import numpy as np
from scipy import stats

from apexfix.compare.agreement import bias_of, concordance_of, consistency, covariance_of, deming, limits_of
from apexfix.compare.altimeter import Reading, control_flights, in_quadrature
from apexfix.compare.answer import comparison
from apexfix.compare.apex import flight_trace
from apexfix.compare.barometer import (
    SIGMA_HUMIDITY,
    SIGMA_LAPSE_K_M,
    SIGMA_THERMOMETER_K,
    Pad,
    Weather,
    pad_air,
    pressure_height,
    true_gain,
)
from apexfix.compare.climbs import climbs, quiet_pad
from apexfix.compare.control_file import Apogee, Control
from apexfix.compare.pairing import paired
from apexfix.model import Flight, Sighting, Site, Station
from apexfix.reduce import reduce_day
from apexfix.sim import altimeter, meadow, readings
from apexfix.sim.truth import Launch, Wind, fly

FLIGHTS = (4, 6, 10, 20)
SD_HEIGHT, SIGMA_X, SIGMA_Y, BIAS = 60.0, 3.0, 2.0, 1.5  # m; heights are normal here, as the concordance supposes
STATION_M = np.array([[150.0, 10.0, 1.5], [-80.0, 130.0, 2.0], [-75.0, -125.0, 1.2]])
GROUND = readings.Noise(
    pointing_rad=np.radians(0.4), azimuth_rad=np.radians(0.6), elevation_zero_rad=np.radians(0.2), azimuth_zero_rad=np.radians(0.3),
    survey_m=0.1,
)  # fmt: skip
AIR = altimeter.Weather(26.0, 96_500.0, 0.55)


def drawn(draw, count):
    """Return the altimeter's and the ground's heights of a day, the second with a bias."""
    height = draw.normal(150.0, SD_HEIGHT, count)
    return height + draw.normal(0, SIGMA_X, count), height + BIAS + draw.normal(0, SIGMA_Y, count)


def coverage(count, days, seed=1):
    """Return the shares of days on which each interval holds what it should."""
    draw = np.random.default_rng(seed)
    sd = np.hypot(SIGMA_X, SIGMA_Y)
    rho = 2 * SD_HEIGHT**2 / (2 * SD_HEIGHT**2 + SIGMA_X**2 + SIGMA_Y**2 + BIAS**2)
    held = dict.fromkeys(("bias", "limits", "approximate limits", "concordance", "slope"), 0)
    t = float(stats.t.ppf(0.975, count - 1))
    for _ in range(days):
        x, y = drawn(draw, count)
        limits, bias = limits_of(y - x), bias_of(y - x)
        upper = BIAS + 1.959964 * sd
        held["bias"] += bias.interval95[0] < BIAS < bias.interval95[1]
        held["limits"] += limits.high_interval95[0] < upper < limits.high_interval95[1]
        held["approximate limits"] += abs(limits.high - upper) < t * sqrt(3 / count) * bias.sd
        ends = concordance_of(x, y)[1]
        held["concordance"] += ends is not None and ends[0] < rho < ends[1]
        slope = deming(x, y, (SIGMA_Y / SIGMA_X) ** 2).slope_interval95
        held["slope"] += slope is not None and slope[0] < 1.0 < slope[1]
    return {name: number / days for name, number in held.items()}


def false_alarms(count, days, seed=1):
    """Return how often agreement is denied at 5 % though all errors are as stated: with the common parts, and as if independent."""
    draw = np.random.default_rng(seed)
    height = np.linspace(80, 250, count)
    own, scale = np.full(count, 1.0), 0.01 * height  # a scale that is common to the day
    covariance = covariance_of(own, scale)
    alarms = np.zeros(2)
    for _ in range(days):
        difference = draw.normal(0, own) + draw.normal() * scale
        alarms[0] += consistency(difference, covariance).probability < 0.05
        alarms[1] += consistency(difference, np.diag(np.diag(covariance))).shift_probability < 0.05
    return alarms / days


def apex_errors(count, sample_hz, seed=1):
    """Return the error of simulated logs' apexes, their stated sigma, and that of the highest sample, (N,) each, in m."""
    draw = np.random.default_rng(seed)
    error, sigma, naive = [], [], []
    air = pad_air(Weather(AIR.temperature_c + 273.15, 0.0, AIR.humidity, AIR.pressure_pa), Pad())
    for _ in range(count):
        rocket = meadow.draw_rocket(draw, float(draw.uniform(2.6, 7.5)))
        flight = fly(rocket, Launch(float(draw.uniform(0, 0.1)), 1.0), Wind(3.0))
        log = altimeter.log_flight(draw, altimeter.Altimeter(sample_hz), AIR, flight, rocket.ejection_s)
        height = pressure_height(log.pressure_pa)
        climb = climbs(log.time_s, height)[0]
        quiet = quiet_pad(height[climb.quiet])
        assert quiet is not None
        trace = flight_trace(log.time_s, height, climb, quiet)
        error.append(float(true_gain(trace.top.height_m, air)) - flight.apex_m[2])
        sigma.append(in_quadrature(trace.top.budget_m))
        naive.append(float(true_gain(height.max() - quiet.level_m, air)) - flight.apex_m[2])
    return np.array(error), np.array(sigma), np.array(naive)


def whole_day(draw, flights=5):
    """Return the comparison of one simulated day, errors of both sides drawn from what they state."""
    day = readings.simulate_readings(draw, STATION_M, apex_m := _flown(draw, flights), GROUND)
    site = Site("bench", tuple(_station(n, place) for n, place in enumerate(day.surveyed_m)))
    seen = [Flight(f + 1, tuple(_sighting(day, f, n) for n in range(len(STATION_M)))) for f in range(flights)]
    stated = Weather(AIR.temperature_c + 273.15, SIGMA_THERMOMETER_K, AIR.humidity, None)
    air = replace(
        AIR,
        temperature_c=AIR.temperature_c + draw.normal(0, SIGMA_THERMOMETER_K),
        humidity=float(np.clip(AIR.humidity + draw.normal(0, SIGMA_HUMIDITY), 0, 1)),
        lapse_k_m=0.0065 + draw.normal(0, SIGMA_LAPSE_K_M),
    )
    falls = air.pressure_pa - altimeter.air_pressure(air, apex_m[:, 2])
    # the sensor is off by about a metre at the top, on all flights of the day alike; and each log by its own noise
    felt = air.pressure_pa - falls + 12.0 * draw.normal() + draw.normal(0, 3.0, flights)
    indicated = pressure_height(felt) - pressure_height(air.pressure_pa)
    reading = Reading(replace(stated, pressure_pa=air.pressure_pa), Pad(0.8, 0.0), corrected=False)
    told = []
    for flight, height in enumerate(indicated.tolist(), 1):
        apogee = Apogee(flight + 1, flight, None, height, None, None, None, None, "")
        (one,) = control_flights(Control((apogee,), (), ()), reading, Path("bench"))
        told.append(replace(one, own_m={"noise": 0.25}))
    results = reduce_day(site, seen)
    return comparison(results, told, paired(told, {n + 1: None for n in range(flights)}, (), None), ())


def _flown(draw, flights):
    return np.column_stack([draw.normal(0, 12, flights), draw.normal(0, 12, flights), draw.uniform(90, 240, flights)])


def _station(n, place):
    sigmas = (GROUND.survey_m, GROUND.pointing_rad, GROUND.azimuth_rad, GROUND.elevation_zero_rad, GROUND.azimuth_zero_rad)
    return Station(f"S{n}", place, *sigmas, unit=None, reference_azimuth_rad=None)


def _sighting(day, flight, n):
    return Sighting(flight + 1, f"S{n}", None, float(day.azimuth_rad[flight, n]), float(day.elevation_rad[flight, n]))


def main():
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    print(f"{days} days each; a share has a standard error of {100 * sqrt(0.95 * 0.05 / days):.1f} %")
    for count in FLIGHTS:
        shares = ", ".join(f"{name} {100 * share:.1f} %" for name, share in coverage(count, days).items())
        with_common, alone = false_alarms(count, days)
        print(f"{count:3d} flights: {shares}; false alarms {100 * with_common:.1f} % (as if independent {100 * alone:.1f} %)")
    for rate in (1.0, 5.0, 10.0, 20.0, 50.0):
        error, sigma, naive = apex_errors(max(days // 20, 50), rate)
        within = 100 * float((np.abs(error) < 2 * sigma).mean())
        stated = sqrt((sigma**2).mean())
        told = f"error {error.mean():+.2f} m, sd {error.std():.2f} m, stated {stated:.2f} m, {within:.0f} % within two"
        print(f"log of {rate:.0f} Hz: apex {told}; highest sample {naive.mean():+.2f} m, sd {naive.std():.2f} m")
    draw = np.random.default_rng(5)
    wholes = [whole_day(draw).fit for _ in range(max(days // 10, 50))]
    denied = 100 * float(np.mean([fit.probability < 0.05 for fit in wholes]))
    shift = np.array([fit.shift / fit.sigma_shift for fit in wholes])
    spread = f"{shift.mean():+.2f}, sd {shift.std():.2f}"
    print(f"{len(wholes)} whole days: agreement denied {denied:.1f} %; shift in its sigmas {spread}")


if __name__ == "__main__":
    main()
