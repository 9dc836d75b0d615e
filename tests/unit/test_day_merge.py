"""Two laptops' folders of one day: hand readings, decisions, calibrations and all other files."""

import json
import os
import shlex
import shutil

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from apexfix.archive import ARCHIVE_NAME, Conflict, Unit, open_archive
from apexfix.calibrate.steps import read_steps
from apexfix.cli import main
from apexfix.day import flights_from_hand, read_sightings, read_site
from apexfix.day_merge import merge_day
from apexfix.decisions import ASSIGNMENTS_NAME, Decision, add_decision, in_force, read_decisions
from apexfix.errors import FileError
from apexfix.wire import Exchange

HEADER = "flight,station,azimuth_deg,elevation_deg,note\n"
ONE, OTHER = "u01-9f3a-57", "u02-77aa-12"


@pytest.fixture
def two(tmp_path, root):
    """Two copies of one folder, as they were in the morning."""
    folders = tmp_path / "mine", tmp_path / "theirs"
    for folder in folders:
        folder.mkdir()
        shutil.copy(root / "docs" / "example-day" / "site.toml", folder)
    return folders


def readings(folder, *lines):
    (folder / "sightings.csv").write_text(HEADER + "".join(f"{line}\n" for line in lines))


def counted(folder):
    """What counts of each flight and station, in degrees, and how many readings were set aside for it."""
    flights = flights_from_hand(read_sightings(folder / "sightings.csv", read_site(folder / "site.toml")))
    shown = {(f.number, s.station): round(s.elevation_rad * 57.29577951308232, 6) for f in flights for s in f.sightings}
    return shown, sum(len(flight.set_aside) for flight in flights)


def stations(folder):
    return [station.id for station in read_site(folder / "site.toml").stations]


def test_readings_of_either_laptop_are_in_the_merged_file_once(two):
    mine, theirs = two
    a, b, *_ = stations(mine)
    readings(mine, f"1,{a},270,45.5,", f"1,{b},10,40,")
    readings(theirs, f"1,{a},270,45.5,", f"2,{a},271,50,theirs")
    before = (mine / "sightings.csv").read_bytes()
    merged = merge_day(mine, theirs)
    assert (merged.readings, merged.notes) == (1, ())
    assert (mine / "sightings.csv").read_bytes().startswith(before)
    assert counted(mine) == ({(1, a): 45.5, (1, b): 40.0, (2, a): 50.0}, 0)
    assert merge_day(mine, theirs).readings == 0


STEPS = "log,record,step,target,face,set\n"


def test_the_turns_of_stands_that_either_laptop_led_are_joined_and_none_become_one(two):
    mine, theirs = two
    (mine / "steps.csv").write_text(STEPS + "9f3a,4,stand,,1,1\n9f3a,5,stand,,1,1\n")
    (theirs / "steps.csv").write_text(STEPS + "9f3a,5,ignore,,1,1\n9f3a,40,stand,,1,1\n77aa,3,stand,,1,2\n")
    merged = merge_day(mine, theirs)
    assert merged.steps == 2
    assert {key: (step.kind, step.set) for key, step in read_steps(mine).items()} == {
        ("9f3a", 4): ("stand", 1), ("9f3a", 5): ("stand", 1), ("9f3a", 40): ("stand", 2), ("77aa", 3): ("stand", 3),
    }  # fmt: skip
    (said,) = merged.notes
    assert said.startswith("press 5 of log 9f3a was a step 'stand' here, 'ignore' in")
    after = (mine / "steps.csv").read_bytes()
    assert (merge_day(mine, theirs).steps, (mine / "steps.csv").read_bytes()) == (0, after)


def test_a_correction_that_one_laptop_made_counts_and_the_first_value_stays(two):
    mine, theirs = two
    a, *_ = stations(mine)
    readings(mine, f"1,{a},270,45.5,")
    readings(theirs, f"1,{a},270,45.5,", f"1,{a},270,54.5,misread")
    assert merge_day(mine, theirs).notes == ()
    assert counted(mine) == ({(1, a): 54.5}, 1)


def test_two_different_readings_of_one_thing_are_told_and_both_kept_and_mine_counts(two):
    mine, theirs = two
    a, *_ = stations(mine)
    readings(mine, f"1,{a},270,45.5,")
    readings(theirs, f"1,{a},270,54.5,")
    (note,) = merge_day(mine, theirs).notes
    assert f"flight 1, station {a}" in note
    assert "45.5000° here" in note
    assert "54.5000° in" in note
    assert "apexfix enter" in note
    assert counted(mine) == ({(1, a): 45.5}, 2)
    again = merge_day(mine, theirs)
    assert (again.readings, again.notes) == (0, ())
    # the other way round theirs follows: it has nothing that was not weighed at the merge
    assert merge_day(theirs, mine).notes == ()
    assert counted(theirs)[0] == counted(mine)[0]


def test_decisions_of_both_laptops_are_joined_and_contradictions_told(two):
    mine, theirs = two
    add_decision(mine, Decision(1_000_000, ONE, 3, ""))
    add_decision(theirs, Decision(2_000_000, ONE, 4, "=late"), Decision(3_000_000, OTHER, "-", ""))
    merged = merge_day(mine, theirs)
    assert merged.decisions == 2
    (note,) = merged.notes
    assert f"mark {ONE}: flight 3 here, flight 4 in" in note
    assert f"apexfix assign {mine} {ONE} FLIGHT" in note
    assert in_force(read_decisions(mine)) == {ONE: 3, OTHER: None}
    assert [(d.mark, d.verdict) for d in read_decisions(mine)] == [(ONE, 3), (ONE, 4), (OTHER, "-"), (ONE, 3)]
    before = (mine / ASSIGNMENTS_NAME).read_bytes()
    assert merge_day(mine, theirs).notes == ()
    assert (mine / ASSIGNMENTS_NAME).read_bytes() == before


def test_a_decision_that_the_other_laptop_took_back_is_taken_back(two):
    mine, theirs = two
    for folder in two:
        add_decision(folder, Decision(1_000_000, ONE, 3, ""))
    add_decision(theirs, Decision(2_000_000, ONE, "", ""))
    assert merge_day(mine, theirs).notes == ()
    assert in_force(read_decisions(mine)) == {}


def test_a_calibration_that_is_missing_is_copied_and_another_one_told(two):
    mine, theirs = two
    for serial in ("e661", "ffff"):
        (theirs / f"calibration-{serial}.json").write_text(json.dumps({"format": 1, "serial": serial}))
    (mine / "calibration-ffff.json").write_text("{}")
    merged = merge_day(mine, theirs)
    assert merged.copied == ("calibration-e661.json",)
    assert (mine / "calibration-e661.json").read_bytes() == (theirs / "calibration-e661.json").read_bytes()
    (note,) = merged.notes
    assert note.startswith("calibration-ffff.json differs")
    assert "yours stays in force" in note
    assert (mine / "calibration-ffff.json").read_text() == "{}"


def test_a_site_that_differs_is_told(two):
    mine, theirs = two
    with (theirs / "site.toml").open("a") as file:
        file.write("\n# moved\n")
    done = CliRunner().invoke(main, ["merge", str(mine), str(theirs)])
    assert done.exit_code == 0, done.output
    assert "conflict: site.toml differs" in done.output


def test_an_empty_folder_takes_all_but_the_report_and_links(two, tmp_path):
    _, theirs = two
    (theirs / "report").mkdir()
    (theirs / "report" / "report.html").write_text("made again")
    (tmp_path / "secret").write_text("not of this day")
    (theirs / "link.csv").symlink_to(tmp_path / "secret")
    readings(theirs, f"1,{stations(theirs)[0]},270,45.5,")
    (tmp_path / "new").mkdir()
    assert merge_day(tmp_path / "new", theirs).copied == ("sightings.csv", "site.toml")
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == ["sightings.csv", "site.toml"]


@pytest.mark.parametrize("harm", ["station", "no number", "name"])
def test_a_file_of_the_other_that_cannot_be_used_is_named_and_nothing_is_taken_from_it(two, harm):
    mine, theirs = two
    a, *_ = stations(mine)
    readings(mine, f"1,{a},270,45.5,")
    readings(theirs, {"station": "1,=cmd(),270,45,", "no number": f"1,{a},270,high,", "name": f"1,{a},270,45.5,"}[harm])
    if harm == "name":
        (theirs / "a\x1b[2Jb").write_text("")
    add_decision(theirs, Decision(1_000_000, ONE, 3, ""))
    (theirs / "altimeter.csv").write_text("time_s,altitude_m\n")
    before = held(mine)
    with pytest.raises(FileError) as refused:
        merge_day(mine, theirs)
    assert "theirs" in str(refused.value)
    assert str(refused.value).isprintable() or "\n" in str(refused.value)
    assert "\x1b" not in str(refused.value)
    assert held(mine) == before


@pytest.mark.parametrize("name", ["sightings.csv", "assignments.csv", "steps.csv", "calibration-e661.json", "site.toml"])
def test_a_damaged_file_is_refused_also_where_it_would_only_be_copied(two, name):
    mine, theirs = two
    (mine / name).unlink(missing_ok=True)
    (theirs / name).write_text("this is no such file")
    (theirs / "a.csv").write_text("is copied first, by the alphabet")
    before = held(mine)
    with pytest.raises(FileError, match=name):
        merge_day(mine, theirs)
    assert held(mine) == before


def test_a_reading_that_my_file_has_no_column_for_is_refused_before_anything_is_written(two):
    mine, theirs = two
    a, *_ = stations(mine)
    readings(mine, f"1,{a},270,45.5,")
    (theirs / "sightings.csv").write_text(f"flight,station,elevation_deg,time_utc\n2,{a},30,2026-05-01T10:00:00Z\n")
    (theirs / "a.csv").write_text("")
    before = held(mine)
    with pytest.raises(FileError, match="no such column seen"):
        merge_day(mine, theirs)
    assert held(mine) == before


def held(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


# --- another day's folder -------------------------------------------------------------------------------------------

NOON_US = 1_777_636_800_000_000  # 2026-05-01T12:00:00Z
HOUR_US = 3600 * 1_000_000


def pulled(folder, kit, unit, serial, noon_us=NOON_US):
    """Write an archive of one unit whose mark at five seconds after its start was at noon."""
    boot = {"level": 1, "boot": 3, "log": f"log-{serial}", "unit": unit, "serial": serial, "rate_hz": 100, "calibration": None}
    with open_archive(folder / ARCHIVE_NAME) as archive:
        archive.add_unit(Unit(serial, unit, "0.1.0", "MPU-6050"))
        content = kit.record(1, 1, json.dumps(boot).encode()) + kit.press_record(2)
        archive.add_segment_bytes(serial, f"log-{serial}", 1, 0, content)
        archive.add_exchange(Exchange(serial, f"log-{serial}", 3, noon_us, 5_000_000, 5_000_010, noon_us + 900, 0))


def at_station_a(*folders):
    for folder in folders:
        path = folder / "site.toml"
        path.write_text(path.read_text().replace("up_m", 'unit = "u01"\nup_m', 1))


def test_another_unit_at_a_station_is_refused_and_nothing_is_written(two, kit):
    mine, theirs = two
    at_station_a(*two)
    (theirs / "a.csv").write_text("")
    pulled(mine, kit, "u01", "e661")
    pulled(theirs, kit, "u01", "ffff")
    before = held(mine)
    done = CliRunner().invoke(main, ["merge", str(mine), str(theirs)])
    assert done.exit_code == 4
    a, *_ = stations(mine)
    for words in (f"station {a}", "'u01'", "serial ffff", "with e661", "Nothing was merged", "folders of their own", str(theirs)):
        assert words in done.stderr
    assert held(mine) == before
    # as the message says: where both stood there, the site names one
    (mine / "site.toml").write_text((mine / "site.toml").read_text().replace('"u01"', '"ffff"'))
    assert merge_day(mine, theirs).archive.units == 1


@pytest.mark.parametrize(("hours", "is_one_day"), [(-24, False), (-10, True), (0, True), (10, True), (14, False)])
def test_flights_a_night_apart_are_of_two_days(two, kit, hours, is_one_day):
    mine, theirs = two
    pulled(mine, kit, "u01", "e661")
    pulled(theirs, kit, "u02", "ffff", NOON_US + hours * HOUR_US)
    before = held(mine)
    if is_one_day:
        assert merge_day(mine, theirs).archive.units == 1
        return
    with pytest.raises(FileError, match=f"those of .*mine of 2026-05-01 12:00 to 12:00 UTC: {abs(hours)} hours apart"):
        merge_day(mine, theirs)
    assert held(mine) == before
    # a trial at home is no flight's, once steps.csv says so
    (mine / "steps.csv").write_text("log,record,step,target,face,set\nlog-ffff,2,ignore,,1,1\n")
    (theirs / "steps.csv").write_text("log,record,step,target,face,set\nlog-ffff,2,ignore,,1,1\n")
    assert merge_day(mine, theirs).archive.units == 1


def test_times_of_hand_readings_tell_the_day_too(two, kit):
    mine, theirs = two
    a, *_ = stations(mine)
    pulled(mine, kit, "u01", "e661")
    for when, fits in (("2026-05-02T12:00:00Z", False), ("2026-05-01T18:00:00Z", True)):
        (theirs / "sightings.csv").write_text(f"flight,station,elevation_deg,time_utc\n2,{a},30,{when}\n")
        if fits:
            assert merge_day(mine, theirs).copied == ("sightings.csv",)
        else:
            with pytest.raises(FileError, match="24 hours apart"):
                merge_day(mine, theirs)


@pytest.mark.skipif(os.name == "nt", reason="the shell of that system quotes in another way")
def test_a_line_of_advice_works_as_it_is_copied_also_where_the_folder_has_spaces(two, tmp_path):
    mine, theirs = tmp_path / "May 1st, Tom's field", two[1]
    two[0].rename(mine)
    a, *_ = stations(mine)
    readings(mine, f"1,{a},270,45.5,")
    readings(theirs, f"1,{a},270,54.5,")
    add_decision(mine, Decision(1_000_000, ONE, 3, ""))
    add_decision(theirs, Decision(2_000_000, ONE, 4, ""))
    about_reading, about_mark = merge_day(mine, theirs).notes
    assert shlex.split(about_mark.split("settle it with: ")[1]) == ["apexfix", "assign", str(mine), ONE, "FLIGHT"]
    assert shlex.split(about_reading.split("enter it with: ")[1].split("; ")[0]) == ["apexfix", "enter", str(mine)]


decisions = st.lists(
    st.builds(
        Decision,
        st.integers(0, 3).map(lambda s: s * 1_000_000),
        st.sampled_from([ONE, OTHER]),
        st.sampled_from([1, 2, "-", ""]),
        st.just(""),
    ),
    max_size=5,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(common=decisions, mine=decisions, theirs=decisions)
def test_whatever_two_people_settled_every_line_is_kept_and_silence_means_agreement(tmp_path_factory, root, common, mine, theirs):
    folders = [tmp_path_factory.mktemp(name) for name in ("mine", "theirs")]
    for folder, own in zip(folders, (mine, theirs), strict=True):
        shutil.copy(root / "docs" / "example-day" / "site.toml", folder)
        if common or own:
            add_decision(folder, *common, *own)
    said = [in_force(read_decisions(folder)) for folder in folders]
    merged = merge_day(*folders)
    after = read_decisions(folders[0])
    assert after[: len(common) + len(mine)] == (*common, *mine)
    assert all(after.count(line) >= (*common, *theirs).count(line) for line in theirs)
    now = in_force(after)
    told = {note.split()[1].rstrip(":") for note in merged.notes}
    for mark in (ONE, OTHER):
        # nobody's word changes in silence: it is mine, or theirs where I had said nothing that they did not know
        if mark in told:
            assert now.get(mark, "none") == said[0].get(mark, "none")
        else:
            assert now.get(mark, "none") in (said[0].get(mark, "none"), said[1].get(mark, "none"))
    again = merge_day(*folders)
    assert (again.decisions, again.notes) == (0, ())


def test_the_kinds_of_conflict_are_all_printed(two, mocker):
    conflict = Conflict("e661", "9f3a01c2", "segment 2, bytes from 7", b"x")
    done = CliRunner().invoke(main, ["merge", *map(str, two)])
    assert "conflict" not in done.output
    merged = merge_day(*two)
    archive = type(merged.archive)(0, 0, 0, (conflict,))
    mocker.patch("apexfix.cli.merge.merge_day", return_value=type(merged)(archive, 0, 0, 0, (), ()))
    done = CliRunner().invoke(main, ["merge", *map(str, two)])
    assert "conflict: unit e661, log 9f3a01c2, segment 2, bytes from 7: 1 other bytes, kept beside" in done.output
