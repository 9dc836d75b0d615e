"""A day folder to flights: archives packed by hand, decisions and hand readings beside them."""

import pytest

from apexfix.decisions import Decision, add_decision
from apexfix.errors import FileError
from apexfix.fieldwork import read_alignment, read_field_day

TIMES_S = (600.0, 1200.0, 1800.0)


@pytest.fixture
def day(hand_day):
    """Three flights that both stations saw; station B pressed again in the second, 3 s late."""
    press = hand_day.press
    hand_day.unit("u01", [hand_day.boot("u01"), *(press(t, flight=n) for n, t in enumerate(TIMES_S, 1))])
    again = [press(600.2, flight=1), press(1200.1, flight=2), press(1203.0, flight=2), press(1799.8, flight=3)]
    hand_day.unit("u02", [hand_day.boot("u02"), *again])
    return hand_day


def stations(field):
    return {flight.number: sorted(sighting.station for sighting in flight.sightings) for flight in field.flights}


def test_the_flights_of_a_day_are_those_that_its_stations_saw(day):
    field = read_field_day(day.folder)
    assert stations(field) == {1: ["A", "B"], 2: ["A", "B"], 3: ["A", "B"]}
    assert [len(flight.set_aside) for flight in field.flights] == [0, 1, 0]
    assert "pressed again: this press came 2.9 s after" in field.flights[1].set_aside[0].reason


def test_what_a_person_settled_is_honoured_told_and_undone(day):
    before = read_field_day(day.folder)
    add_decision(day.folder, Decision(day.utc_us, "u02-u02l-4", 2, "the second was on the model"))
    settled = read_field_day(day.folder)
    (second,) = [s for s in settled.flights[1].sightings if s.station == "B"]
    assert second.source.endswith("record 4")
    assert "a person gave it to flight 2" in " ".join(settled.flights[1].remarks)
    add_decision(day.folder, Decision(day.utc_us, "u02-u02l-4", "", ""))
    after = read_field_day(day.folder)
    assert (after.flights, after.remarks) == (before.flights, before.remarks)


def test_a_mark_that_was_set_aside_is_told(day):
    add_decision(day.folder, Decision(day.utc_us, "u01-u01l-4", "-", ""))
    field = read_field_day(day.folder)
    assert stations(field)[3] == ["B"]
    assert "mark u01-u01l-4 of station A is in no flight: a person set it aside" in field.remarks


def test_settling_never_changes_the_archive(day):
    before = (day.folder / "archive.sqlite").read_bytes()
    add_decision(day.folder, Decision(day.utc_us, "u01-u01l-4", "-", ""))
    read_field_day(day.folder)
    assert (day.folder / "archive.sqlite").read_bytes() == before


def test_a_broken_decision_stops_the_reduction_with_its_line(day):
    (day.folder / "assignments.csv").write_text("decided_utc,mark,flight,note\n2026-06-13T07:00:00Z,u01-u01l-4,x,\n")
    with pytest.raises(FileError, match="line 2, flight"):
        read_field_day(day.folder)


def test_a_unit_goes_before_a_hand_reading_of_the_same_flight_and_station(day):
    (day.folder / "sightings.csv").write_text("flight,station,elevation_deg\n1,A,45\n4,B,50\n")
    field = read_field_day(day.folder)
    assert [flight.number for flight in field.flights] == [1, 2, 3, 4]
    assert [s.source for s in field.flights[0].sightings if s.station == "A"] != ["hand"]
    assert "read by hand as well" in field.flights[0].set_aside[0].reason


def test_a_day_without_an_archive_has_no_marks_to_settle(hand_day):
    assert read_field_day_of_hand_alone(hand_day) == {1: ["A"]}
    with pytest.raises(FileError, match="apexfix pull"):
        read_alignment(hand_day.folder)


def read_field_day_of_hand_alone(hand_day):
    (hand_day.folder / "sightings.csv").write_text("flight,station,elevation_deg\n1,A,45\n")
    return stations(read_field_day(hand_day.folder))
