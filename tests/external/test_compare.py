"""Method comparison and barometric heights against published values and an independent atmosphere."""

import importlib.util
from dataclasses import replace

import numpy as np
import pytest
from ambiance import Atmosphere
from scipy.stats import binom

from apexfix.air import moist_density, standard_pressure
from apexfix.compare.agreement import bias_of, concordance_of, consistency, covariance_of, deming, limits_of
from apexfix.compare.barometer import Pad, PadAir, Weather, gravity, pad_air, pressure_height, true_gain, virtual_temperature
from apexfix.sim import altimeter
from apexfix.units import DEG, STANDARD_GRAVITY

# Bland & Altman, Lancet 1986;i:307-310, table 1: peak expiratory flow in l/min, first readings of the two meters
WRIGHT = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427], dtype=float)
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451], dtype=float)
# Pearson, Philosophical Magazine 2, 1901, 559-572: the data of its example
PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
DRY_AT_1000_HPA = PadAir(303.15, 0.0, 0.0, 0.0, float(pressure_height(1e5)), 0.0, STANDARD_GRAVITY, 0.0, 0.0)


# --- agreement ------------------------------------------------------------------------------------------------------


def test_bias_and_limits_are_those_of_the_paper_from_unrounded_figures():
    # The paper prints -79.7 and 75.5: two standard deviations, from -2.1 and 38.8. These are its own data, unrounded, with 1.96.
    bias, limits = bias_of(WRIGHT - MINI), limits_of(WRIGHT - MINI)
    assert (bias.mean, bias.sd) == pytest.approx((-2.1176, 38.7651), abs=5e-5)
    assert (limits.low, limits.high) == pytest.approx((-78.097, 73.862), abs=2e-3)


def test_the_interval_of_the_bias_is_that_of_the_paper():
    bias = bias_of(WRIGHT - MINI)
    assert bias.interval95 == pytest.approx((-22.0, 17.8), abs=0.1)  # same paper: -2.1 -+ 2.12 * 9.4; from memory


def test_exact_intervals_of_the_limits_lie_outside_the_approximate_ones_of_the_paper():
    # same paper: 75.5 -+ 2.12 * 16.3. The exact ones are shifted outwards, as Carkeet (2015) shows: few pairs hide large spreads.
    limits = limits_of(WRIGHT - MINI)
    inner, outer = limits.high - limits.high_interval95[0], limits.high_interval95[1] - limits.high
    assert inner < 2.12 * 16.3 < outer


def test_for_many_pairs_the_exact_interval_of_a_limit_is_the_approximate_one():
    limits = limits_of(np.random.default_rng(1).normal(size=20_000))
    sd = (limits.high - limits.low) / 2 / 1.959964
    half = 1.96 * np.sqrt(1 / 20_000 + 1.959964**2 / (2 * 19_999)) * sd  # Bland & Altman, Stat. Methods Med. Res. 8, 1999, 135-160
    assert limits.high_interval95 == pytest.approx((limits.high - half, limits.high + half), abs=2e-3)


def test_the_concordance_of_the_two_meters():
    assert concordance_of(WRIGHT, MINI)[0] == pytest.approx(0.94274, abs=5e-6)  # moments over n, as Lin (1989) defines it


def test_the_line_of_least_perpendicular_distances_is_the_first_principal_axis_of_pearsons_data():
    line = deming(PEARSON_X, PEARSON_Y, 1.0)
    assert (line.slope, line.intercept) == pytest.approx((-0.5455611975, 5.7840437745), abs=1e-9)
    axis = np.linalg.eigh(np.cov(PEARSON_X, PEARSON_Y))[1][:, -1]  # a second way: the eigenvector of the larger spread
    assert line.slope == pytest.approx(axis[1] / axis[0], rel=1e-12)


def test_a_line_with_errors_in_y_alone_is_the_ordinary_regression_and_in_x_alone_the_inverse_one():
    # this is what says which way round the error ratio is
    slope, intercept = np.polyfit(PEARSON_X, PEARSON_Y, 1)
    line = deming(PEARSON_X, PEARSON_Y, 1e9)
    assert (line.slope, line.intercept) == pytest.approx((slope, intercept), rel=1e-6)
    assert deming(PEARSON_X, PEARSON_Y, 1e-9).slope == pytest.approx(1 / np.polyfit(PEARSON_Y, PEARSON_X, 1)[0], rel=1e-6)


def test_a_chi_square_parts_into_the_shift_and_the_scatter():
    # independent errors: the shift is the weighted mean, the sigmas those of any textbook
    difference, own = np.array([1.0, 3.0]), np.array([1.0, 2.0])
    found = consistency(difference, covariance_of(own))
    assert (found.shift, found.sigma_shift) == pytest.approx((1.4, np.sqrt(0.8)))
    assert found.chi2 == pytest.approx(1.0 + 9 / 4)


def test_a_shift_that_is_common_does_not_average_out():
    own, common = np.full(100, 1.0), np.full(100, 2.0)
    assert consistency(np.zeros(100), covariance_of(own, common)).sigma_shift == pytest.approx(np.hypot(0.1, 2.0), rel=1e-6)


@pytest.fixture(scope="module")
def bench(root):
    place = importlib.util.spec_from_file_location("compare_coverage", root / "bench" / "compare_coverage.py")
    module = importlib.util.module_from_spec(place)
    place.loader.exec_module(module)
    return module


def test_intervals_of_few_flights_hold_the_truth_as_often_as_they_say(bench):
    # 1500 days: a share of 95 % has a standard error of 0.6 %, so 2 % is beyond three of them
    shares = bench.coverage(6, 1500)
    assert shares["bias"] == pytest.approx(0.95, abs=0.02)
    assert shares["limits"] == pytest.approx(0.95, abs=0.02)
    assert shares["slope"] == pytest.approx(0.95, abs=0.025)  # the jackknife is asymptotic
    assert shares["concordance"] > 0.88  # so is Fisher's transformation, and it is called "about"


def test_agreement_is_denied_wrongly_once_in_twenty_and_far_oftener_where_common_errors_are_forgotten(bench):
    with_common, as_if_independent = bench.false_alarms(6, 2000)
    assert with_common == pytest.approx(0.05, abs=0.015)
    assert as_if_independent > 0.15


# --- air ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height_m", [0.0, 100.0, 500.0, 1000.0, 2000.0])
def test_an_independent_atmosphere_gives_back_its_own_heights(height_m):
    # PyPI ambiance, the ICAO standard atmosphere (1993) on geometric heights; its earth has a radius of 6 356 766 m
    standard = replace(pad_air(Weather(288.15, 0.0, 0.0, 101_325.0), Pad()), sigma_gravity_share=0.0)
    pressure_pa = float(Atmosphere(height_m).pressure[0])
    # the standard atmosphere is an ideal gas; real air is denser, and its layer thinner, by what the next test holds
    ideal = virtual_temperature(288.15, 101_325.0, 0.0) / 288.15
    assert float(true_gain(pressure_height(pressure_pa), standard)) == pytest.approx(height_m * ideal, abs=0.02)


def test_dry_air_departs_from_an_ideal_gas_by_its_compressibility():
    # Z = 0.99959 at 15 degrees and 1013.25 hPa: CIPM-2007's table, from memory
    assert virtual_temperature(288.15, 101_325.0, 0.0) / 288.15 == pytest.approx(0.99959, abs=3e-5)


@pytest.mark.parametrize(("height_m", "hectopascal"), [(100, 1001.295), (500, 954.613), (1000, 898.763), (2000, 795.014)])
def test_the_independent_atmosphere_is_the_one_that_is_meant(height_m, hectopascal):
    assert float(Atmosphere(height_m).pressure[0]) / 100 == pytest.approx(hectopascal, abs=5e-4)


@pytest.mark.parametrize("pressure_pa", [101_325.0, 95_460.8, 89_874.6])
def test_pressure_height_undoes_standard_pressure(pressure_pa):
    assert standard_pressure(float(pressure_height(pressure_pa))) == pytest.approx(pressure_pa, abs=1e-6)


@pytest.mark.parametrize(("celsius", "true_m"), [(30.0, 107.00), (0.0, 96.41)])
def test_a_layer_of_twelve_hectopascal_is_thicker_where_the_air_is_warmer(celsius, true_m):
    # hypsometric equation with the standard lapse rate, computed by hand: T / 0.0065 (1 - 0.988^0.190263), dry air
    gain = float(pressure_height(98_800.0) - pressure_height(100_000.0))
    assert gain == pytest.approx(101.46, abs=0.01)
    dry = replace(DRY_AT_1000_HPA, temperature_k=273.15 + celsius)
    # CIPM-2007 adds the compressibility of real air, 0.04 %
    assert float(true_gain(gain, dry)) == pytest.approx(true_m, abs=0.06)


def test_the_density_behind_the_virtual_temperature_is_that_of_cipm_2007():
    assert moist_density(293.15, 101_325.0, 0.5) == pytest.approx(1.1993, abs=5e-5)  # Picard et al., Metrologia 45, 2008
    # a textbook's first order, T (1 + 0.378 e / p) with e = 11.7 hPa at 20 degrees and 50 %: 1.28 K, and 0.1 K of compressibility
    assert virtual_temperature(293.15, 101_325.0, 0.5) - 293.15 == pytest.approx(1.28, abs=0.15)


def test_gravity_at_pole_and_equator_is_that_of_the_ellipsoid():
    assert gravity(90 * DEG, 0.0) == pytest.approx(9.8321849378, abs=1e-8)  # WGS 84, NIMA TR8350.2, table 3.4
    assert gravity(0.0, 0.0) == pytest.approx(9.7803253359, abs=1e-9)


@pytest.mark.parametrize("celsius", [-5.0, 15.0, 35.0])
@pytest.mark.parametrize("humidity", [0.0, 0.9])
def test_a_column_of_air_integrated_step_by_step_gives_back_its_heights(celsius, humidity):
    # the simulator's column: hydrostatic steps and Magnus' vapour, which share nothing with the closed form and CIPM-2007
    column = altimeter.Weather(celsius, 94_000.0, humidity)
    height_m = np.array([50.0, 150.0, 300.0])
    indicated = pressure_height(altimeter.air_pressure(column, height_m)) - pressure_height(94_000.0)
    air = pad_air(Weather(celsius + 273.15, 0.0, humidity, 94_000.0), Pad())
    assert true_gain(indicated, air) == pytest.approx(height_m, rel=1e-3)


def test_whole_days_whose_errors_are_as_stated_agree_but_for_one_in_twenty(bench):
    # sighted, reduced, logged through air that is not the one stated: the simulator shares no mathematics with either side
    draw = np.random.default_rng(5)
    days = [bench.whole_day(draw).fit for _ in range(80)]
    low, high = binom.interval(0.999, len(days), 0.05)
    assert low <= sum(day.probability < 0.05 for day in days) <= high
    shift = np.array([day.shift / day.sigma_shift for day in days])
    assert shift.std() == pytest.approx(1.0, abs=0.26)  # three standard errors of 80
    assert abs(shift.mean()) < 0.34


def test_apexes_of_simulated_logs_are_as_good_as_they_say(bench):
    error, sigma, highest = bench.apex_errors(60, 20.0)
    assert abs(error.mean()) < 0.05
    assert (np.abs(error) < 2 * sigma).mean() > 0.88  # 95 % expected; 60 flights have a standard error of 2.8 %
    assert abs(highest.mean()) > 3 * abs(error.mean())  # the highest of noisy samples is too high
