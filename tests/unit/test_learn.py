"""Learning back: against a posterior by brute force over closed forms, and by how often the truth lies in the region."""

import importlib.util
import json
from dataclasses import replace
from math import pi

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import binom

from apexfix.cli.learn import learn
from apexfix.errors import FileError, ReductionError
from apexfix.learn.evidence import Evidence, Measured, flown_as
from apexfix.learn.flights_file import read_flights
from apexfix.learn.lesson import lesson, next_rocket
from apexfix.learn.words import lesson_text
from apexfix.predict import Quantity, ascents, outcomes, read_rocket, trajectory
from apexfix.predict.closed import Coast, coast
from apexfix.predict.motion import UP
from apexfix.predict.quantity import at

CALM = {"wind_m_s": Quantity(0.0, 0.0), "tilt_rad": Quantity(0.0, 0.0, positive=False)}


@pytest.fixture(scope="module")
def examples(root):
    return root / "docs" / "example-rockets"


@pytest.fixture(scope="module")
def straight(examples):
    """A slow rocket straight up in still air, of which only drag and burnout speed are uncertain: the closed forms hold."""
    rocket = read_rocket(examples / "burnout.toml").rocket
    stated = {"burnout_m_s": Quantity(40.0, 2.5), "drag_coefficient": Quantity(2.4, 0.36), "dry_mass_kg": Quantity(0.067, 0.0)}
    return replace(rocket, quantities=dict(rocket.quantities) | CALM | stated)


def closed_form(rocket, drag, speed, mass_kg):
    area_m2 = pi / 4 * rocket.diameter_m**2
    rise = coast(Coast(mass_kg, rocket.air.density_kg_m3 * area_m2 * drag / 2), speed)
    return rocket.engine.height_m + rise.height_m, rocket.engine.time_s + rise.time_s


def by_brute_force(rocket, measured):
    """Return mean and covariance of the scores of drag and speed on a grid; heights and times by the closed forms."""
    axis = np.linspace(-5, 5, 121)
    cost = np.add.outer(axis**2, axis**2)
    drag, speed = (at(rocket.quantities[name], axis) for name in ("drag_coefficient", "burnout_m_s"))
    for one in measured:
        mass_kg = one.rocket.quantities["dry_mass_kg"].value
        flown = np.array([[closed_form(rocket, d, v, mass_kg) for v in speed] for d in drag])
        cost += ((flown[..., 0] - one.height_m) / one.sigma_height_m) ** 2
        if one.time_s is not None:
            cost += ((flown[..., 1] - one.time_s) / one.sigma_time_s) ** 2
    weight = np.exp(-(cost - cost.min()) / 2)
    points, weight = np.stack(np.meshgrid(axis, axis, indexing="ij")).reshape(2, -1), weight.ravel() / weight.sum()
    return points @ weight, np.cov(points, aweights=weight, bias=True)


def seen(rocket, drag, speed, masses=(0.067,), timed=False, sigma_m=1.5):
    flights = []
    for number, mass_kg in enumerate(masses, 1):
        height_m, time_s = closed_form(rocket, drag, speed, mass_kg)
        flying = flown_as(rocket, {"dry_mass_kg": mass_kg}, number)
        flights.append(Measured(number, height_m, sigma_m, time_s if timed else None, 0.02, flying))
    return tuple(flights)


@pytest.mark.parametrize(
    "how", [{}, {"timed": True}, {"masses": (0.03, 0.067, 0.15)}], ids=["one height", "height and time", "three masses"]
)
def test_the_posterior_is_that_of_brute_force_over_the_closed_forms(straight, how):
    measured = seen(straight, 2.0, 41.5, **how)
    told = lesson(straight, Evidence(measured, ()))
    mean, covariance = by_brute_force(straight, measured)
    sigma = np.sqrt(np.diag(covariance))
    # air that thins by 1 % over the climb lifts the model's heights by a tenth of a sigma; 4000 draws add some hundredths
    np.testing.assert_allclose(told.posterior.mean, mean, atol=0.25 * sigma.max())
    np.testing.assert_allclose(np.sqrt(np.diag(told.posterior.covariance)), sigma, rtol=0.08)
    assert told.ridge.correlation == pytest.approx(covariance[0, 1] / sigma.prod(), abs=0.04)


def test_one_height_cannot_separate_drag_and_speed_and_the_text_says_so(straight):
    told = lesson(straight, Evidence(seen(straight, 2.4, 40.0), ()))
    assert told.ridge.learnt_kept < 0.5 < 0.9 < told.ridge.unlearnt_kept
    assert told.ridge.correlation > 0.5
    assert "Only one height is known: it cannot separate drag coefficient and burnout speed." in lesson_text(told)


def test_along_the_ridge_the_height_hardly_changes(straight):
    told = lesson(straight, Evidence(seen(straight, 2.4, 40.0, sigma_m=0.5), ()))
    drag, speed = (1 + percent / 100 for percent in told.ridge.along_percent)
    along_m = closed_form(straight, 2.4 * drag, 40.0 * speed, 0.067)[0] - closed_form(straight, 2.4, 40.0, 0.067)[0]
    across_m = closed_form(straight, 2.4 / drag, 40.0 * speed, 0.067)[0] - closed_form(straight, 2.4, 40.0, 0.067)[0]
    assert abs(along_m) < 0.1 * abs(across_m)


@pytest.mark.parametrize("how", [{"timed": True}, {"masses": (0.02, 0.067, 0.2)}], ids=["time", "masses"])
def test_a_time_or_other_masses_separate_them(straight, how):
    measured = seen(straight, 2.4, 40.0, sigma_m=0.5, **how)
    told = lesson(straight, Evidence(measured, ()))
    # the scores begin as a unit circle, so the longest axis of their ellipse is the share of a sigma that is left
    longest = np.sqrt(np.linalg.eigvalsh(by_brute_force(straight, measured)[1])[-1])
    assert longest < 0.8
    assert told.ridge.unlearnt_kept == pytest.approx(longest, rel=0.08)
    assert "do not separate" not in lesson_text(told)
    assert "Only one height" not in lesson_text(told)


def test_flights_of_the_same_mass_do_not_separate_them(straight):
    told = lesson(straight, Evidence(seen(straight, 2.4, 40.0, masses=(0.067,) * 4), ()))
    assert told.ridge.unlearnt_kept > 0.9
    assert "do not separate" in lesson_text(told)


def test_the_parts_and_what_is_left_make_the_gap_and_little_is_left(straight):
    told = lesson(straight, Evidence(seen(straight, 2.9, 37.0), ()))
    (gap,) = told.gaps
    assert sum(reason.part_m for reason in gap.reasons) + gap.left_m == pytest.approx(gap.height_m)
    assert abs(gap.left_m) < 1.5  # one sigma of the measurement
    expected_m = closed_form(straight, 2.9, 37.0, 0.067)[0] - closed_form(straight, 2.4, 40.0, 0.067)[0]
    assert gap.height_m == pytest.approx(expected_m, abs=0.3)  # thinner air lifts the prediction a little


def test_a_figure_that_explains_the_gap_alone_does_so_in_time_steps_too(examples):
    rocket = read_rocket(examples / "motor.toml").rocket
    told = lesson(rocket, Evidence((Measured(1, 270.0, 3.0, None, 1.0, rocket),), ()))
    alone = [reason for reason in told.gaps[0].reasons if reason.alone is not None]
    assert {"drag_coefficient", "impulse_ns", "wind_m_s"} <= {reason.name for reason in alone}
    for reason in alone:
        values = {name: np.array([quantity.value]) for name, quantity in rocket.quantities.items()}
        values[reason.name] = np.array([reason.alone])
        assert trajectory(rocket, values, rtol=1e-7).apex[UP] == pytest.approx(270.0, abs=0.5)


def test_a_gap_far_beyond_its_sigma_is_called_so(straight):
    told = lesson(straight, Evidence(seen(straight, 2.4, 62.0), ()))
    assert any("times its sigma" in remark for remark in told.remarks)


def test_the_next_prediction_carries_what_was_learnt(straight, examples, tmp_path):
    """In still air the next height is as uncertain as the measurement that it was learnt from: 1.5 m."""
    text = (examples / "burnout.toml").read_text(encoding="utf-8")
    for old, new in (
        ("drag_coefficient = 0.60\nsigma_drag_coefficient = 0.09", "drag_coefficient = 2.4\nsigma_drag_coefficient = 0.36"),
        ("speed_m_s = 80.0\nsigma_speed_m_s = 5.0", "speed_m_s = 40.0\nsigma_speed_m_s = 2.5"),
        ("tilt_deg = 3.0 ", "tilt_deg = 0.0 "),
        ("sigma_tilt_deg = 2.0", "sigma_tilt_deg = 0.0"),
        ("wind_m_s = 3.0\nsigma_wind_m_s = 1.0", "wind_m_s = 0.0\nsigma_wind_m_s = 0.0"),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "old.toml"
    path.write_text(text, encoding="utf-8")
    rocket = read_rocket(path).rocket
    told = lesson(rocket, Evidence(seen(rocket, 2.0, 41.5), ()))
    new = tmp_path / "new.toml"
    new.write_text(next_rocket(path, told, tmp_path), encoding="utf-8")
    after = read_rocket(new).rocket
    for name, quantity in told.posterior.quantities.items():
        assert after.quantities[name].value == pytest.approx(quantity.value, rel=1e-5)
        assert after.quantities[name].sigma == pytest.approx(quantity.sigma, rel=1e-5)
    assert outcomes(rocket)["apex_m"].sigma > 4.5
    assert outcomes(after)["apex_m"].sigma == pytest.approx(1.5, rel=0.12)
    assert outcomes(replace(after, correlations={}))["apex_m"].sigma > 3
    assert outcomes(after)["apex_m"].nominal == pytest.approx(told.gaps[0].measured_m, abs=1.0)
    assert "# all that coasts" in new.read_text(encoding="utf-8")


def test_a_new_file_in_another_folder_finds_its_thrust_table_and_replaces_old_correlations(examples, tmp_path):
    path = examples / "motor.toml"
    rocket = read_rocket(path).rocket
    told = lesson(rocket, Evidence((Measured(1, 270.0, 3.0, None, 1.0, rocket),), ()), samples=500)
    first = tmp_path / "first.toml"
    first.write_text(next_rocket(path, told, tmp_path), encoding="utf-8")
    once = read_rocket(first).rocket
    assert once.quantities["impulse_ns"] != rocket.quantities["impulse_ns"]
    again = lesson(once, Evidence((Measured(2, 275.0, 3.0, None, 1.0, once),), ()), samples=500)
    second = tmp_path / "second.toml"
    second.write_text(next_rocket(first, again, tmp_path), encoding="utf-8")
    twice = read_rocket(second).rocket
    assert set(twice.correlations) <= set(told.posterior.problem.rocket.correlations) | set(once.correlations)
    assert again.posterior.quantities["drag_coefficient"].sigma <= 1.05 * told.posterior.quantities["drag_coefficient"].sigma


@pytest.mark.parametrize(("exponent", "bound"), [(0.85, 1.0), (1.25, None), (1.55, 1.4)])
def test_an_exponent_stays_between_isothermal_and_adiabatic_and_a_bound_that_is_met_is_told(examples, tmp_path, exponent, bound):
    path = examples / "water.toml"
    rocket = read_rocket(path).rocket
    # all but the exponent as good as exact, so that nothing else can explain the heights
    nearly = {name: replace(stated, sigma=stated.sigma / 20) for name, stated in rocket.quantities.items() if name != "exponent"}
    rocket = replace(rocket, quantities=rocket.quantities | nearly | CALM)
    values = {name: np.array([stated.value]) for name, stated in rocket.quantities.items()} | {"exponent": np.array([exponent])}
    height_m = float(ascents(rocket, values).apex_m[0])
    told = lesson(rocket, Evidence(tuple(Measured(n, height_m, 1.0, None, 0.0, rocket) for n in (1, 2, 3)), ()), samples=1000)
    assert 1.0 <= told.posterior.quantities["exponent"].value <= 1.4
    held = [remark for remark in told.remarks if "held at its bound" in remark]
    assert [f"bound of {bound:g} " in remark for remark in held] == ([] if bound is None else [True])
    (tmp_path / "next.toml").write_text(next_rocket(path, told, tmp_path))
    assert 1.0 <= read_rocket(tmp_path / "next.toml").rocket.quantities["exponent"].value <= 1.4


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("rocket.drag_coefficient", "burnout.speed", 0.5)], "burnout.speed_m_s"),
        ([("rocket.drag_coefficient", "rocket.drag_coefficient", 0.5)], "two different figures"),
        ([("rocket.drag_coefficient", "burnout.speed_m_s", 1.0)], "0.999999"),
        (
            [
                ("rocket.drag_coefficient", "burnout.speed_m_s", 0.9),
                ("rocket.drag_coefficient", "rocket.dry_mass_kg", 0.9),
                ("rocket.dry_mass_kg", "burnout.speed_m_s", -0.9),
            ],
            "contradicts",
        ),
    ],
)
def test_correlations_that_cannot_be_are_refused_with_their_line(examples, tmp_path, rows, words):
    text = (examples / "burnout.toml").read_text(encoding="utf-8")
    for one, other, value in rows:
        text += f'\n[[correlation]]\nbetween = "{one}"\nand = "{other}"\ncoefficient = {value}\n'
    path = tmp_path / "rocket.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=words) as caught:
        read_rocket(path)
    assert caught.value.line > len((examples / "burnout.toml").read_text(encoding="utf-8").splitlines())


def test_what_is_stated_as_exact_cannot_be_learnt(straight):
    exact = replace(straight, quantities=dict(straight.quantities) | {"drag_coefficient": Quantity(2.4, 0.0)})
    with pytest.raises(ReductionError, match="drag_coefficient"):
        lesson(exact, Evidence(seen(exact, 2.4, 40.0), ()))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("number = 1\ndry_mass = 0.1", "dry_mass_kg"),
        ("number = 1\n[[flight]]\nnumber = 1", "twice"),
        ("number = 1\ntime_to_apex_s = 4\nlift_off_utc = 2026-05-01T10:00:00Z", "one of the two"),
        ("number = 1\nlift_off_utc = 2026-05-01T10:00:00", "2026-05-01T10:20:30.5Z"),
    ],
)
def test_a_wrong_flights_file_is_refused_with_its_line(tmp_path, text, words):
    path = tmp_path / "flights.toml"
    path.write_text(f"format = 1\n[[flight]]\n{text}\n", encoding="utf-8")
    with pytest.raises(FileError, match=words) as caught:
        read_flights(path)
    assert caught.value.line


@pytest.fixture
def day(root, tmp_path):
    for name in ("site.toml", "sightings.csv"):
        (tmp_path / name).write_bytes((root / "docs" / "example-day" / name).read_bytes())
    return tmp_path


def test_the_command_learns_from_a_day_and_writes_a_rocket_that_reads(day, examples):
    (day / "flights.toml").write_text("format = 1\n[[flight]]\nnumber = 4\ndry_mass_kg = 0.05\n", encoding="utf-8")
    out = day / "new.toml"
    words = [str(day), str(examples / "burnout.toml"), "--json", "--flight", "2", "--flight", "4", "--time-to-apex", "2=6.7"]
    done = CliRunner().invoke(learn, [*words, "--out", str(out)])
    document = json.loads(done.stdout)
    assert (done.exit_code, document["format"]) == (0, 1)
    assert [flight["flight"] for flight in document["flights"]] == [2, 4]
    assert document["ridge"]["data"] == 3
    assert document["flights"][0]["measured_s"] == 6.7
    assert document["flights"][1]["reasons"]["dry_mass_kg"]["stated"] == 0.05
    assert read_rocket(out).rocket.quantities["drag_coefficient"].value == pytest.approx(
        document["figures"]["drag_coefficient"]["after"], rel=1e-5
    )


def test_a_flight_that_is_named_to_be_another_rockets_teaches_nothing_about_this_one(day, examples):
    own = read_rocket(examples / "burnout.toml").rocket.name
    rows = "".join(f'[[flight]]\nnumber = {n}\nrocket = "{name}"\n' for n, name in ((1, "Lark"), (2, own), (3, "Lark")))
    (day / "flights.toml").write_text("format = 1\n" + rows, encoding="utf-8")
    document = json.loads(CliRunner().invoke(learn, [str(day), str(examples / "burnout.toml"), "--json"]).stdout)
    assert [flight["flight"] for flight in document["flights"]] == [2, 4]
    chosen = json.loads(CliRunner().invoke(learn, [str(day), str(examples / "burnout.toml"), "--json", "--flight", "3"]).stdout)
    assert [flight["flight"] for flight in chosen["flights"]] == [3]


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (("--flight", "9"), 5, "flight 9 seen"),
        (("--time-to-apex", "2"), 2, "FLIGHT=SECONDS"),
        (("--time-to-apex", "2=-1"), 2, "above 0"),
    ],
)
def test_what_cannot_be_used_ends_with_its_code(day, examples, options, code, words):
    done = CliRunner().invoke(learn, [str(day), str(examples / "burnout.toml"), *options])
    assert (done.exit_code, done.stdout) == (code, "")
    assert words in done.stderr


@pytest.fixture(scope="module")
def bench(root):
    spec = importlib.util.spec_from_file_location("bench_learning", root / "bench" / "learning.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_region_holds_the_truth_about_as_often_as_it_says(bench, examples):
    """Reduced from bench/learning.py; the bounds are those that a true share of 95 % passes all but once in a thousand."""
    rocket, draw = read_rocket(examples / "burnout.toml").rocket, np.random.default_rng(7)
    cases = [bench.held(*bench.case(rocket, evidence, draw)) for evidence in bench.EVIDENCE for _ in range(20)]
    low, high = binom.interval(0.999, len(cases), 0.95)
    for count in np.sum(cases, axis=0):
        assert low <= count <= high


def test_the_simulator_of_launch_days_agrees_that_the_region_holds_the_truth(bench, examples):
    """The truth flies, is sighted and is reduced by code that shares no mathematics with the prediction."""
    rocket, draw = read_rocket(examples / "motor.toml").rocket, np.random.default_rng(8)
    cases = [bench.held(*bench.whole_way(rocket, draw)) for _ in range(12)]
    assert np.sum(cases, axis=0).min() >= binom.ppf(0.001, len(cases), 0.95)


def test_more_pressure_than_a_bottle_may_hold_is_told(day, examples):
    # 90 psi at most: NASA Glenn Research Center, safety guide for bottle rockets; this bottle would need more for such heights
    done = CliRunner().invoke(learn, [str(day), str(examples / "water.toml"), "--flight", "2", "--flight", "4"])
    assert done.exit_code == 0
    assert "at most 6.2 bar expected in a drinks bottle" in done.stdout
