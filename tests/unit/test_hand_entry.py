import re
import shutil
import signal
import subprocess
import sys

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from apexfix.cli import main
from apexfix.day import flights_from_hand, read_sightings, read_site
from apexfix.fields import Unfit
from apexfix.hand_entry import Entry, Finished, answered, question
from apexfix.units import DEG

SITE = """
format = 1
[site]
name = "test"
[[station]]
id = "A"
east_m = 0.0
north_m = -100.0
up_m = 0.0
[[station]]
id = "B"
east_m = 100.0
north_m = 0.0
up_m = 0.0
"""  # A looks north at the pad, B looks west


@pytest.fixture
def day(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    return tmp_path


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    path = tmp_path_factory.mktemp("site") / "site.toml"
    path.write_text(SITE)
    return read_site(path)


def told(site, *words):
    entry = Entry(site, 1)
    for each in words:
        entry = answered(entry, each)
    return entry


def typed(day, *words):
    done = CliRunner().invoke(main, ["enter", str(day)], input="".join(f"{word}\n" for word in words))
    assert done.exit_code == 0, done.output
    return done.output


def test_flight_then_each_station_of_the_site_in_its_order_is_asked(site):
    asked, entry = [], Entry(site, 4)
    for words in ("", "45", "0", "45"):
        asked.append(question(entry))
        entry = answered(entry, words)
    assert [*asked, question(entry)] == ["flight [4]", "  A: elevation", "  A: azimuth", "  B: elevation", "  B: azimuth"]
    finished = answered(entry, "270")
    assert isinstance(finished, Finished)
    assert [(s.flight, s.station, s.elevation_rad / DEG, s.azimuth_rad / DEG) for s in finished.sightings] == [
        (4, "A", pytest.approx(45), pytest.approx(0)),
        (4, "B", pytest.approx(45), pytest.approx(270)),
    ]


def test_a_lost_model_has_no_azimuth_and_an_empty_azimuth_is_none(site):
    finished = told(site, "7", "-", "45,5", "")
    assert [(s.station, s.azimuth_rad) for s in finished.sightings] == [("B", None)]
    assert told(site, "7", "-", "-").sightings == ()


@pytest.mark.parametrize("words", ["181", "-91", "", "abc", "45 99"])
def test_an_elevation_that_cannot_be_is_refused_and_asked_again(site, words):
    with pytest.raises(Unfit, match="expected"):
        told(site, "1", words)


@pytest.mark.parametrize("words", ["361", "-1", "north"])
def test_an_azimuth_that_cannot_be_is_refused(site, words):
    with pytest.raises(Unfit, match="expected"):
        told(site, "1", "45", words)


@pytest.mark.parametrize("words", ["0", "10000", "x", "1.5", "-1", "9" * 50])
def test_a_flight_that_cannot_be_is_refused(site, words):
    with pytest.raises(Unfit, match="a flight from 1 to 9999 expected"):
        told(site, words)


@pytest.mark.parametrize(
    ("before", "words", "doubt"),
    [
        (("1",), "2", "2° is hardly above the horizon."),
        (("1",), "97", "97° is past the zenith, leaning back."),
        (("1", "45"), "180", "180° points away from the pad, which is at 0°."),
    ],
)
def test_an_unlikely_value_is_asked_about_once(site, before, words, doubt):
    asked = told(site, *before, words)
    assert question(asked) == f"  A: {doubt} Is that right? (y/n)"
    assert answered(asked, "n") == told(site, *before)
    assert answered(asked, "y").answers[-1] == float(words)
    with pytest.raises(Unfit, match="y or n expected"):
        answered(asked, "45")


def test_an_observer_who_leaned_back_may_face_away_from_the_pad(site):
    assert told(site, "1", "97", "y", "180").doubted is None


def test_b_goes_back_one_answer_at_a_time_to_the_number_of_the_flight(site):
    entry = told(site, "3", "45", "10", "50")
    for expected in ("  B: elevation", "  A: azimuth", "  A: elevation", "flight [1]"):
        entry = answered(entry, "b")
        assert question(entry) == expected
    with pytest.raises(Unfit, match="first question"):
        answered(entry, "b")


@given(st.lists(st.sampled_from(["", "1", "45", "45 30", "-", "b", "y", "n", "97", "190", "x", "400", "B", " 5 "]), max_size=40))
def test_any_answers_in_any_order_leave_a_question_or_finish(site, words):
    entry = Entry(site, 1)
    for each in words:
        try:
            after = answered(entry, each)
        except Unfit:
            continue
        if isinstance(after, Finished):
            assert all(-90 <= s.elevation_rad / DEG <= 180 for s in after.sightings)
            return
        entry = after
        assert question(entry)


@given(st.lists(st.sampled_from(["45", "45 30", "-", "", "60"]), max_size=3))
def test_going_back_undoes_an_answer_whole(site, words):
    entry = told(site, "1")
    for each in words:
        try:
            after = answered(entry, each)
        except Unfit:
            continue
        if isinstance(after, Finished):
            return
        assert answered(after, "b") in (entry, answered(after, "b") if after.doubted is not None else entry)
        entry = after


# --- the command ----------------------------------------------------------------------------------------------------


def test_a_flight_of_two_stations_has_its_height_and_closure_at_once(day):
    # both stations 100 m from the pad at 45 degrees, looking at it: 100 m over the pad
    output = typed(day, "", "45", "0", "45", "270", "q")
    assert "flight 1: 100" in output
    assert "closure 0.0 %" in output
    assert re.search(r"flight 1: .* ± .* m \(95 %: [\d.]+ to [\d.]+ m\), closure", output)
    (flight,) = flights_from_hand(read_sightings(day / "sightings.csv", read_site(day / "site.toml")))
    assert len(flight.sightings) == 2


def test_a_flight_entered_again_is_corrected_and_the_first_value_stays_in_the_file(day):
    typed(day, "", "45", "0", "45", "270", "q")
    output = typed(day, "1", "46", "0", "-", "q")
    assert "this flight has readings" in output
    lines = (day / "sightings.csv").read_text().splitlines()
    assert [line.split(",")[4] for line in lines[1:]] == ["45", "45", "46"]
    (flight,) = flights_from_hand(read_sightings(day / "sightings.csv", read_site(day / "site.toml")))
    assert {s.station: round(s.elevation_rad / DEG) for s in flight.sightings} == {"A": 46, "B": 45}
    assert len(flight.set_aside) == 1


def test_the_next_flight_is_proposed(day):
    output = typed(day, "7", "45", "0", "45", "270", "", "-", "-")
    assert "flight [8]" in output
    assert "flight 8: nothing read, nothing written" in output


def test_the_end_of_the_input_in_the_middle_of_a_flight_keeps_the_flights_before(day):
    typed(day, "", "45", "0", "45", "270", "", "50")
    assert len((day / "sightings.csv").read_text().splitlines()) == 3


@pytest.mark.skipif(sys.platform == "win32", reason="a signal cannot be sent to one process there")
def test_control_c_in_the_middle_of_a_flight_keeps_the_flights_before(day):
    code = "from apexfix.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-u", "-c", code, "enter", str(day)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as running:
        running.stdin.write("\n45\n0\n45\n270\n\n50\n")
        running.stdin.flush()
        heard = ""
        while not heard.endswith("flight [2]:   A: elevation:   A: azimuth: "):
            piece = running.stdout.read(1)
            assert piece, heard
            heard += piece
        running.send_signal(signal.SIGINT)
        assert "1 flight in" in running.communicate(timeout=30)[0]
        assert running.returncode == 0
    assert len((day / "sightings.csv").read_text().splitlines()) == 3


def test_a_wrong_answer_is_explained_and_asked_again(day):
    output = typed(day, "", "45..5", "45.5", "0", "45,5", "270", "q")
    assert "'45..5' seen, an angle like 45.5 or 45 30 (degrees and minutes) expected" in output
    assert "flight 1:" in output


def test_lines_are_added_in_the_columns_that_the_file_has_and_the_rest_stays_byte_for_byte(day):
    before = "# by hand\r\nstation,elevation_deg,flight,azimuth_deg\r\nA,45,1,0"
    (day / "sightings.csv").write_bytes(before.encode())
    typed(day, "2", "45 30", "1", "-", "q")
    assert (day / "sightings.csv").read_bytes().decode() == before + "\nA,45.5,2,1\n"


def test_a_file_without_a_column_for_azimuths_takes_elevations_and_no_azimuth(day):
    (day / "sightings.csv").write_text("flight,station,elevation_deg\n")
    typed(day, "1", "45", "", "-", "q")
    done = CliRunner().invoke(main, ["enter", str(day)], input="2\n45\n0\n-\n")
    assert done.exit_code == 4
    assert "azimuth_deg" in done.output


def test_a_file_with_an_error_is_refused_before_anything_is_asked(day):
    (day / "sightings.csv").write_text("flight,station,elevation_deg\n1,A,45..\n")
    done = CliRunner().invoke(main, ["enter", str(day)], input="1\n")
    assert done.exit_code == 4
    assert "flight [" not in done.output


def test_a_day_without_a_site_is_refused(tmp_path):
    assert CliRunner().invoke(main, ["enter", str(tmp_path)]).exit_code == 4


def test_the_example_day_takes_another_flight(tmp_path, root):
    shutil.copytree(root / "docs" / "example-day", tmp_path / "day")
    site = read_site(tmp_path / "day" / "site.toml")
    before = len(read_sightings(tmp_path / "day" / "sightings.csv", site))
    typed(tmp_path / "day", "99", *["45", ""] * len(site.stations), "q")
    assert len(read_sightings(tmp_path / "day" / "sightings.csv", site)) == before + len(site.stations)
