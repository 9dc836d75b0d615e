"""Two laptops pull overlapping parts of the real firmware's logs on one day; merged, they are what one that did all would hold."""

import json
import shutil
from functools import cache
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.calibrate.document import file_name, write_document
from apexfix.cli import main
from apexfix.day import read_sightings, read_site
from apexfix.decisions import Decision, add_decision, read_decisions
from apexfix.link import open_port
from apexfix.pull import PullOptions, pull_unit
from apexfix.session import HostClock, Session
from apexfix.sim import meadow
from apexfix.sim.launch_day import LaunchDay

MORNING, EVENING = "morning", "evening"
PULLS = {  # laptop -> what it pulled, and when; u02 is pulled by both
    "mine": {MORNING: ("u01", "u02"), EVENING: ("u01",)},
    "theirs": {MORNING: ("u03",), EVENING: ("u02", "u03")},
}
HEADER = "flight,station,azimuth_deg,elevation_deg,note\n"


class Twice:
    """The archive of one laptop; all that is added is added to another one too, as if that one had pulled by itself."""

    def __init__(self, own, whole):
        self._own, self._whole = own, whole

    def __getattr__(self, name):
        if not name.startswith("add_"):
            return getattr(self._own, name)

        def both(*values):
            getattr(self._own, name)(*values)
            getattr(self._whole, name)(*values)

        return both


def pull(day, folder, whole, unit):
    host = HostClock(day.utc_us, day.utc_us)
    with (
        open_archive(folder / ARCHIVE_NAME) as own,
        open_archive(whole / ARCHIVE_NAME) as all_of_it,
        open_port(day.ports[unit]) as line,
    ):
        outcome = pull_unit(Session(line, host), Twice(own, all_of_it), unit, PullOptions(host=host))
    assert not outcome.error, outcome


def apexfix(*words, code=0):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == code, done.output + done.stderr
    return done.stdout


@cache
def reduced(folder):
    done = CliRunner().invoke(main, ["reduce", str(folder), "--json"])
    assert done.exit_code in (0, 1), done.output
    return json.loads(done.stdout)


def hurried_day(seed, folder):
    """A day whose flights follow each other in two minutes instead of five: the firmware runs through all of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(meadow, "_SPACING_S", 120.0)
        return LaunchDay(seed, folder)


@pytest.fixture(scope="module")
def folders(tmp_path_factory, micropython):
    """The folders of two laptops, of one that did everything, and the merged one."""
    scratch = tmp_path_factory.mktemp("laptops")
    names = ("mine", "theirs", "whole", "merged", "other_way")
    found = SimpleNamespace(**{name: scratch / name for name in names})
    for name in names[:3]:
        (scratch / name).mkdir()
    with hurried_day(5, scratch / "field") as day:
        site = day.site_toml()
        for name in names[:3]:
            shutil.copy(site, scratch / name)
        for when, begin in ((MORNING, day.morning), (EVENING, lambda: (day.fly(), day.evening()))):
            begin()
            for laptop, pulls in PULLS.items():
                for unit in pulls[when]:
                    pull(day, scratch / laptop, found.whole, unit)
    _by_hand(found)
    for name, first, second in (("merged", "mine", "theirs"), ("other_way", "theirs", "mine")):
        shutil.copytree(scratch / first, scratch / name)
        found.told = apexfix("merge", scratch / name, scratch / second)
    return found


def _by_hand(found):
    """Write readings with a correction, a calibration and a decision on one laptop or the other, all of it on the third."""
    a, *_ = (station.id for station in read_site(found.whole / "site.toml").stations)
    mine, theirs = f"90,{a},45,30,\n90,{a},45,31.5,misread\n", f"91,{a},300,28,\n"
    for folder, lines in ((found.mine, mine), (found.theirs, theirs), (found.whole, mine + theirs)):
        (folder / "sightings.csv").write_text(HEADER + lines)
    with open_archive(found.whole / ARCHIVE_NAME) as archive:
        boot = next(stored.record for stored in archive.boots() if stored.record.unit == "u03")
    for folder in (found.theirs, found.whole):
        write_document(folder / file_name(boot.serial), {"format": 1, "serial": boot.serial, **boot.value["calibration"]})
    mark = apexfix("assign", found.whole, "--all").splitlines()[1].split()[0]
    for folder in (found.theirs, found.whole):
        add_decision(folder, Decision(1_781_350_000_000_000, mark, "-", "a finger slipped"))


def test_the_merged_day_gives_the_same_answers_as_one_laptop_that_pulled_all(folders):
    assert reduced(folders.merged) == reduced(folders.whole)


def test_one_laptop_alone_does_not_give_them(folders):
    assert reduced(folders.theirs) != reduced(folders.whole)


@pytest.mark.parametrize("name", ["merged", "other_way"])
def test_the_merged_archive_holds_the_same_bytes_records_and_clocks(folders, name):
    with open_archive(getattr(folders, name) / ARCHIVE_NAME) as merged, open_archive(folders.whole / ARCHIVE_NAME) as whole:
        for of in ("units", "exchanges", "rows", "conflicts"):
            assert tuple(getattr(merged, of)()) == tuple(getattr(whole, of)())
        assert sorted(map(str, merged.pulls())) == sorted(map(str, whole.pulls()))


def test_verify_finds_the_merged_day_sound(folders):
    told = apexfix("verify", folders.merged)
    assert told.splitlines()[-1] == "all sound"
    assert "contradict" not in told


def test_no_conflict_is_told_where_there_is_none(folders):
    assert "conflict" not in folders.told


def test_what_people_wrote_is_merged_with_its_first_values(folders):
    site = read_site(folders.whole / "site.toml")
    for name in ("merged", "other_way"):
        readings = read_sightings(getattr(folders, name) / "sightings.csv", site)
        assert sorted(map(str, readings)) == sorted(map(str, read_sightings(folders.whole / "sightings.csv", site)))
        assert read_decisions(getattr(folders, name)) == read_decisions(folders.whole)


def test_an_exported_day_comes_back_verified_with_the_same_answers(folders, tmp_path):
    apexfix("export", folders.merged, tmp_path / "day.zip")
    apexfix("import", tmp_path / "day.zip", tmp_path / "day")
    assert apexfix("verify", tmp_path / "day").splitlines()[-1] == "all sound"
    assert reduced(tmp_path / "day") == reduced(folders.whole)
    names = sorted(path.name for path in (tmp_path / "day").iterdir())
    assert {"assignments.csv", "sightings.csv", "site.toml", ARCHIVE_NAME} < set(names)
    assert [name for name in names if name.startswith("calibration-")]
