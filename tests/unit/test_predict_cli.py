"""The command: what goes to which stream, and how it ends."""

import json

import pytest
from click.testing import CliRunner

from apexfix.cli.predict import predict


@pytest.fixture
def run(root):
    folder = root / "docs" / "example-rockets"
    return lambda name, *options: CliRunner().invoke(predict, [str(folder / name), "--samples", "300", *options])


@pytest.mark.parametrize("kind", ["water", "motor", "burnout"])
def test_the_document_is_the_only_thing_on_the_output(run, kind):
    done = run(f"{kind}.toml", "--json")
    document = json.loads(done.stdout)
    assert (done.exit_code, done.stderr, document["format"], document["kind"]) == (0, "", 1, kind)
    apex = document["outcomes"]["apex_m"]
    assert apex["interval95"][0] < apex["nominal"] < apex["interval95"][1]
    assert ("fill_sweep" in document, "ejection" in document) == (kind == "water", kind == "motor")


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("water", ["apogee", "Best fill", "polytropic exponent", "NASA"]),
        ("motor", ["ejection after apogee", "A delay too short", "impulse"]),
        ("burnout", ["times its weight", "closed form with drag", "burnout speed"]),
    ],
)
def test_the_text_says_what_a_person_asks(run, kind, words):
    done = run(f"{kind}.toml")
    assert done.exit_code == 0
    for word in [*words, "one at a time", "Local codes, the landowner and licensed practice decide."]:
        assert word in done.stdout


def test_a_file_that_is_not_there_ends_with_four(run):
    done = run("nowhere.toml")
    assert (done.exit_code, done.stdout) == (4, "")
    assert "nowhere.toml" in done.stderr


def test_a_rocket_that_must_not_fly_ends_with_five(root, tmp_path):
    text = (root / "docs" / "example-rockets" / "water.toml").read_text(encoding="utf-8")
    path = tmp_path / "rocket.toml"
    path.write_text(text.replace("pressure_kpa = 400.0", "pressure_kpa = 900.0"), encoding="utf-8")
    done = CliRunner().invoke(predict, [str(path)])
    assert (done.exit_code, done.stdout) == (5, "")
    assert "6.2 bar" in done.stderr
