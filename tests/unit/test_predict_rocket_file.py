"""ROCKET.toml: what is read, and how a typing error is told."""

import re

import pytest

from apexfix.errors import FileError
from apexfix.predict import Bottle, Burnout, Motor, Quantity, read_rocket
from apexfix.predict.thrust import total_impulse
from apexfix.units import DEG

EXAMPLES = ("water", "motor", "burnout")


@pytest.fixture
def example(root, tmp_path):
    """A function that copies an example with one replacement and returns its path and the line of the replacement."""

    def copied(kind, old="", new=""):
        folder = root / "docs" / "example-rockets"
        text = (folder / f"{kind}.toml").read_text(encoding="utf-8")
        assert old in text
        (tmp_path / "motor-thrust.txt").write_bytes((folder / "motor-thrust.txt").read_bytes())
        path = tmp_path / f"{kind}.toml"
        path.write_text(text.replace(old, new, 1) if old else text, encoding="utf-8")
        return path, text.count("\n", 0, text.index(old)) + 1

    return copied


@pytest.mark.parametrize(("kind", "engine"), [("water", Bottle), ("motor", Motor), ("burnout", Burnout)])
def test_the_examples_are_read_and_assume_nothing_but_what_they_leave_out(example, kind, engine):
    file = read_rocket(example(kind)[0])
    assert isinstance(file.rocket.engine, engine)
    assert file.assumed == ()


def test_the_examples_say_that_they_are_invented(root):
    for kind in EXAMPLES:
        assert "nvented" in (root / "docs" / "example-rockets" / f"{kind}.toml").read_text(encoding="utf-8").split("\n")[0]


def test_units_of_the_file_become_the_packages_own(example):
    rocket = read_rocket(example("water")[0]).rocket
    assert rocket.quantities["pressure_pa"] == Quantity(400e3, 15e3)
    assert rocket.quantities["tilt_rad"] == Quantity(3 * DEG, 2 * DEG, positive=False)
    assert rocket.quantities["water_m3"].value == pytest.approx(0.6e-3)
    assert rocket.engine.nozzle_m2 == pytest.approx(3.698e-4, rel=1e-3)
    assert rocket.diameter_m == pytest.approx(0.110)


def test_a_sigma_that_is_left_out_is_assumed_and_told(example):
    file = read_rocket(example("water", "sigma_pressure_kpa = 15.0\n", "")[0])
    assert file.rocket.quantities["pressure_pa"].sigma == pytest.approx(12e3)
    assert file.assumed == ("sigma_pressure_kpa = 12",)


def test_an_exponent_that_is_left_out_is_assumed_and_told(example):
    file = read_rocket(example("water", "polytropic_exponent = 1.25\nsigma_polytropic_exponent = 0.1\n", "")[0])
    assert file.rocket.quantities["exponent"] == Quantity(1.25, 0.1)
    assert file.assumed == ("polytropic_exponent = 1.25 with a sigma of 0.1",)


def test_a_curve_may_be_scaled_to_a_measured_impulse(example):
    rocket = read_rocket(example("motor", "sigma_impulse_ns = 0.4", "impulse_ns = 9.0\nsigma_impulse_ns = 0.4")[0]).rocket
    assert rocket.quantities["impulse_ns"] == Quantity(9.0, 0.4)
    assert total_impulse(rocket.engine.curve) != pytest.approx(9.0)  # the shape is scaled when it flies


def test_impulse_and_burn_time_alone_are_enough(example):
    path, _ = example("motor", 'thrust_file = "motor-thrust.txt"', "impulse_ns = 9.0\nburn_time_s = 1.5 ")
    rocket = read_rocket(path).rocket
    assert rocket.engine.curve.thrust_n.tolist() == [6.0, 6.0]


def test_the_height_of_the_pad_stands_in_for_its_pressure(example):
    path, _ = example("burnout", "pressure_hpa = 1005.0", "pad_height_m = 0.0")
    assert read_rocket(path).rocket.air.pressure_pa == 101_325.0


@pytest.mark.parametrize(
    ("kind", "old", "new", "field", "words"),
    [
        ("water", "volume_l = 2.0", "volum_l = 2.0", "volum_l", "did you mean 'volume_l'"),
        ("water", "volume_l = 2.0", "volume_l = '2 l'", "volume_l", "'2 l' .text. seen, a number"),
        ("water", "water_l = 0.60", "water_l = 2.5", "water_l", "bottle of 2 l"),
        ("water", "tube_mm = 20.0", "tube_mm = 30.0", "tube_mm", "at most the nozzle's"),
        ("water", "polytropic_exponent = 1.25", "polytropic_exponent = 1.5", "polytropic_exponent", "1.5 seen"),
        ("water", "sigma_water_l = 0.03", "sigma_water_l = 3", "sigma_water_l", "a sigma up to"),
        ("water", "sigma_water_l = 0.03", "sigma_water_l = -1", "sigma_water_l", "-1 seen"),
        ("water", 'kind = "water"', 'kind = "steam"', "kind", "'water', 'motor' or 'burnout' expected"),
        ("water", 'kind = "water"', 'kind = "motor"', "kind", "beside a table .water."),
        ("motor", 'thrust_file = "motor-thrust.txt"', "impulse_ns = 9.0", "burn_time_s", "is missing"),
        ("motor", "propellant_kg = 0.011", "propellant_kg = 0.11", "propellant_kg", "less than the loaded motor's"),
        ("burnout", "pressure_hpa = 1005.0", "pad_height_m = 0.0\npressure_hpa = 1005.0", "pressure_hpa", "exactly one"),
        ("burnout", "format = 1", "format = 2", "format", "2 seen"),
        ("burnout", "speed_m_s = 80.0", "", "speed_m_s", "nothing seen"),
    ],
)
def test_a_wrong_field_is_told_by_name(example, kind, old, new, field, words):
    path, _ = example(kind, old, new)
    with pytest.raises(FileError, match=words) as caught:
        read_rocket(path)
    assert caught.value.field == field
    assert caught.value.line is not None


@pytest.mark.parametrize("kind", EXAMPLES)
def test_any_field_with_rubbish_in_it_is_told_with_its_line(example, root, kind):
    text = (root / "docs" / "example-rockets" / f"{kind}.toml").read_text(encoding="utf-8")
    rows = re.findall(r"^(\w+) = .*$", text, re.MULTILINE)
    assert len(rows) > 15
    for match in re.finditer(r"^(\w+) = .*$", text, re.MULTILINE):
        path, _ = example(kind)
        path.write_text(text[: match.start()] + f"{match[1]} = [1]" + text[match.end() :], encoding="utf-8")
        with pytest.raises(FileError, match="a list seen") as caught:
            read_rocket(path)
        assert (caught.value.field, caught.value.line) == (match[1], text.count("\n", 0, match.start()) + 1)


def test_a_thrust_file_that_is_not_there_is_named(example):
    path, _ = example("motor", "motor-thrust.txt", "nowhere.txt")
    with pytest.raises(FileError, match=r"nowhere\.txt"):
        read_rocket(path)
