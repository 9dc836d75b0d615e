"""site.toml and sightings.csv: read as written, or refused with file, line, field, what was seen and what was expected."""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.day import flights_from_hand, read_sightings, read_site, write_sightings
from apexfix.errors import FileError
from apexfix.model import Sighting
from apexfix.toml_lines import key_lines
from apexfix.units import DEG

SITE = """\
format = 1

[site]
name = "Invented meadow"
declination_deg = 3.5
timezone = "Europe/Berlin"
wind_m_s = 3.5
wind_from_deg = 250

[pad]
latitude_deg = 47.0
longitude_deg = 8.0
height_m = 430.0

[[target]]
id = "mast"
distance_m = 500
bearing_deg = 86.5

[[station]]
id = "A"
east_m = 60.0
north_m = 0.0
up_m = 1.4
sigma_position_m = 0.05
sigma_elevation_deg = 0.3
sigma_azimuth_deg = 0.5
sigma_elevation_zero_deg = 0.1
sigma_azimuth_zero_deg = 0.2
unit = "u01"
reference = "mast"

[[station]]
id = "B"
distance_m = 60.0
bearing_deg = 176.5
up_m = 1.4
reference_bearing_deg = 356.5

[[station]]
id = "C"
latitude_deg = 47.0005
longitude_deg = 8.0
height_m = 431.5
"""

SIGHTINGS = """\
# hand readings of the invented meadow
flight,station,time_utc,azimuth_deg,elevation_deg,sigma_azimuth_deg,sigma_elevation_deg,note
1,A,2026-05-01T10:20:30.5Z,270.0,45.0,0.5,0.4,clear
1,B,,0.5,44.0,,,"low sun, hazy"
2,C,,,101.5,,,
"""


@pytest.fixture
def read(tmp_path):
    """Read a site and sightings given as text or bytes."""

    def reader(sightings=SIGHTINGS, site=SITE):
        for name, content in (("site.toml", site), ("sightings.csv", sightings)):
            (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        found = read_site(tmp_path / "site.toml")
        return found, read_sightings(tmp_path / "sightings.csv", found)

    return reader


def refused(read, **files):
    with pytest.raises(FileError) as caught:
        read(**files)
    assert caught.value.exit_code == 4
    assert re.search(r"seen|there is no", str(caught.value))
    return caught.value


# --- the site as written --------------------------------------------------------------------------------------------


def test_a_site_comes_out_in_metres_and_radians(read):
    site, _ = read()
    a, b, c = site.stations
    assert (site.name, site.height_m) == ("Invented meadow", 430.0)
    assert (site.timezone, site.wind_m_s, site.wind_from_rad) == ("Europe/Berlin", 3.5, pytest.approx(250 * DEG))
    assert (site.latitude_rad, site.longitude_rad) == pytest.approx((47 * DEG, 8 * DEG))
    assert a.position_m == pytest.approx([60, 0, 1.4])
    assert (a.sigma_position_m, a.unit) == (0.05, "u01")
    assert (a.sigma_elevation_rad, a.sigma_azimuth_rad) == pytest.approx((0.3 * DEG, 0.5 * DEG))
    assert (a.sigma_elevation_zero_rad, a.sigma_azimuth_zero_rad) == pytest.approx((0.1 * DEG, 0.2 * DEG))
    assert b.position_m == pytest.approx([0, -60, 1.4])  # 176.5 magnetic with 3.5 east is south
    assert c.position_m == pytest.approx([0, 55.59, 1.5], abs=0.01)  # 111 180 m in a degree of latitude at 47
    assert (c.sigma_elevation_rad, c.unit) == (None, None)


@pytest.mark.parametrize("zone", ["Europe", "Europe/Nowhere", "../etc/passwd", "/etc/passwd", "CEST"])
def test_a_time_zone_that_is_none_is_refused_where_it_stands(read, zone):
    error = refused(read, site=SITE.replace("Europe/Berlin", zone))
    assert (error.field, error.line) == ("timezone", 6)


def test_references_are_true_azimuths_to_the_pad_a_target_or_by_bearing(read):
    site, _ = read()
    assert [s.reference_azimuth_rad / DEG for s in site.stations] == pytest.approx([90, 0, 180])  # mast, bearing, pad


def test_a_station_on_the_pad_has_no_reference_of_its_own(read):
    site, _ = read(site=SITE.replace("latitude_deg = 47.0005", "latitude_deg = 47.0"))
    assert site.station("C").reference_azimuth_rad is None


def test_a_station_may_be_the_reference(read):
    site, _ = read(site=SITE.replace('reference = "mast"', 'reference = "B"'))
    assert site.station("A").reference_azimuth_rad / DEG == pytest.approx(225)


def test_a_satellite_fix_may_take_its_height_from_a_level(read):
    site, _ = read(site=SITE.replace("height_m = 431.5", "up_m = 1.5"))
    assert site.station("C").position_m[2] == pytest.approx(1.5, abs=0.001)


def test_a_position_without_a_sigma_gets_that_of_its_kind(read):
    site, _ = read(site=SITE.replace("sigma_position_m = 0.05\n", ""))
    assert [s.sigma_position_m for s in site.stations] == [0.1, 1.2, 3.0]  # metres, 2 % of a tape's 60 m, satellite


@pytest.mark.parametrize("table", ["site", "pad", "target", "station"])
def test_the_site_above_has_every_field_that_is_known(read, table):
    row = f"[{table}]" if table in {"site", "pad"} else f"[[{table}]]"
    message = str(refused(read, site=SITE.replace(row, f"{row}\nzzzz = 1", 1)))
    known = set(re.search(r"known here: (.*)$", message)[1].split(", "))
    written = {place[-1] for place in FIELDS if place[0] == table}
    assert known == written if table != "target" else written < known


def test_every_field_and_column_is_explained_in_the_guide_to_the_folder():
    guide = (Path(__file__).parents[2] / "docs" / "day-folder.md").read_text(encoding="utf-8")
    for name in {str(place[-1]) for place in FIELDS} | set(COLUMNS):
        assert f"`{name}`" in guide, name


# --- the site damaged -----------------------------------------------------------------------------------------------

TABLES = {"site", "pad", "station", "target"}
FIELDS = [place for place in key_lines(SITE) if isinstance(place[-1], str) and place[-1] not in TABLES]
TEXTS = {"name", "id", "unit", "reference", "timezone"}


def damaged(place, value):
    """Return SITE with another value in one field, and the line of the field."""
    lines = SITE.split("\n")
    number = key_lines(SITE)[place]
    lines[number - 1] = f"{place[-1]} = {value}"
    return "\n".join(lines), number


WRONG = ["", "sixty", "true", "[1, 2]", "{ a = 1 }", "nan", "-inf", "1e999", "2026-05-01", '"unclosed', "1_e", "9" * 5000, "1,5"]


@pytest.mark.parametrize("value", WRONG, ids=lambda v: v[:12] or "empty")
@pytest.mark.parametrize("place", FIELDS, ids=lambda p: ".".join(map(str, p)))
def test_a_wrong_kind_of_value_in_any_field_of_the_site_is_refused_where_it_stands(read, place, value):
    site, line = damaged(place, value)
    error = refused(read, site=site)
    if len(value) < 1000:  # the parser gives no place for a number of thousands of digits
        assert (error.line, error.field) == (line, place[-1])
        assert f"site.toml, line {line}, {place[-1]}: " in str(error)
    assert "expected" in str(error)


@pytest.mark.parametrize("place", FIELDS, ids=lambda p: ".".join(map(str, p)))
def test_text_for_a_number_and_a_number_for_text_are_refused(read, place):
    site, line = damaged(place, "7.5" if place[-1] in TEXTS else '"60"')
    error = refused(read, site=site)
    assert (error.line, error.field) == (line, place[-1])


@pytest.mark.parametrize("place", FIELDS, ids=lambda p: ".".join(map(str, p)))
def test_a_value_out_of_range_is_refused(read, place):
    site, line = damaged(place, f'"{"x" * 300}"' if place[-1] in TEXTS else "-1e6")
    error = refused(read, site=site)
    assert (error.line, error.field) == (line, place[-1])


@pytest.mark.parametrize("place", FIELDS, ids=lambda p: ".".join(map(str, p)))
def test_a_misspelt_field_is_refused_and_its_right_name_suggested(read, place):
    line = key_lines(SITE)[place]
    wrong = place[-1] + "x"
    rows = [row.replace(place[-1], wrong, 1) if n == line else row for n, row in enumerate(SITE.split("\n"), 1)]
    error = refused(read, site="\n".join(rows))
    assert (error.line, error.field) == (line, wrong)
    assert f"did you mean '{place[-1]}'?" in str(error)


@pytest.mark.parametrize("place", FIELDS, ids=lambda p: ".".join(map(str, p)))
def test_a_field_that_stands_twice_is_refused(read, place):
    lines = SITE.split("\n")
    number = key_lines(SITE)[place]
    error = refused(read, site="\n".join([*lines[:number], lines[number - 1], *lines[number:]]))
    assert (error.line, error.field) == (number + 1, place[-1])


@pytest.mark.parametrize(
    ("place", "line"),
    [
        (("format",), 1),
        (("site", "name"), 3),
        (("pad", "latitude_deg"), 10),
        (("pad", "longitude_deg"), 10),
        (("target", 0, "id"), 15),
        (("target", 0, "bearing_deg"), 15),
        (("station", 0, "id"), 20),
        (("station", 0, "east_m"), 20),
        (("station", 0, "north_m"), 20),
        (("station", 0, "up_m"), 20),
        (("station", 1, "distance_m"), 33),
        (("station", 1, "bearing_deg"), 33),
        (("station", 2, "height_m"), 40),
    ],
)
def test_a_missing_field_is_reported_at_its_table(read, place, line):
    number = key_lines(SITE)[place]
    error = refused(read, site="\n".join(row for n, row in enumerate(SITE.split("\n"), 1) if n != number))
    assert (error.line, error.field) == (line, place[-1])
    assert "expected" in str(error)


@pytest.mark.parametrize(
    ("old", "new", "start", "field", "words"),
    [
        ("format = 1", "format = 2", "format", "format", "1"),
        ("[pad]", "[pda]", "[pda]", "pda", "did you mean 'pad'"),
        ("north_m = 0.0", "nort_m = 0.0", "nort_m", "nort_m", "did you mean 'north_m'"),
        ('id = "B"', 'id = "A"', 'id = "A"', "id", "second time"),
        ('id = "B"', 'id = "pad"', 'id = "pad"', "id", "second time"),
        ('id = "B"', 'id = "mast"', "id = \"mast\"", "id", "second time"),
        ('id = "B"', 'id = "B\\u001b[31m"', 'id = "B', "id", "printable"),
        ('id = "B"', 'id = " B"', 'id = " B', "id", "spaces"),
        ("up_m = 1.4\nref", 'up_m = 1.4\nunit = "u01"\nref', 'unit = "u01"', "unit", "second time"),
        ('"u01"', '"u 01"', "unit", "unit", "letters"),
        ('reference = "mast"', 'reference = "mats"', "reference =", "reference", "did you mean 'mast'"),
        ('reference = "mast"', 'reference = "A"', "reference =", "reference", "0.00 m away"),
        ("reference_b", 'reference = "A"\nreference_b', "reference_bearing_deg", "reference_bearing_deg", "only one"),
        ("sigma_azimuth_deg = 0.5", "sigma_azimuth_deg = 0", "sigma_azimuth_deg", "sigma_azimuth_deg", "above 0"),
        ("sigma_position_m = 0.05", "sigma_position_m = -0.05", "sigma_position_m", "sigma_position_m", "from 0"),
        ("distance_m = 60.0", "distance_m = 60.0\neast_m = 1", "east_m = 1", "east_m", "only one kind"),
        ("latitude_deg = 47.0005", "latitude_deg = 74.0005", "latitude_deg = 74", "latitude_deg", "km from the pad"),
        ("height_m = 431.5", "height_m = 431.5\nup_m = 1", "up_m = 1\n", "up_m", "only one of the two"),
        ("up_m = 1.4\nref", "height_m = 1.4\nref", "height_m = 1.4", "height_m", "up_m"),
        ("height_m = 430.0\n", "", "[pad]", "height_m", "'C' has one"),
    ],
)
def test_what_does_not_fit_together_is_refused(read, old, new, start, field, words):
    site = SITE.replace(old, new, 1)
    error = refused(read, site=site)
    rows = [n for n, row in enumerate(site.split("\n"), 1) if (row + "\n").startswith(start)]
    assert error.line == rows[-1 if "second" in words else 0]
    assert error.field == field
    assert words in str(error)


@pytest.mark.parametrize(
    ("site", "field"),
    [
        ("format = 1\n[site]\nname = 'x'\n", "station"),
        ("format = 1\nsite = 3\n", "site"),
        ("format = 1\n[site]\nname = 'x'\n[station]\nid = 'A'\n", "station"),
        ("format = 1\nstation = [1]\n[site]\nname = 'x'\n", "station"),
        ("", "format"),
    ],
)
def test_tables_of_the_wrong_shape_are_refused(read, site, field):
    assert refused(read, site=site).field == field


@pytest.mark.parametrize(
    ("site", "words"),
    [
        (b"format = 1 # \xff\n", "UTF-8"),
        ("format = 1".encode("utf-16"), "UTF-16"),
        (b"format = 1\0", "zero byte"),
        (b"#" * (1 << 20) + b"\n", "larger than"),
        (b"format = " + b"[" * 100_000, "nested"),
        (b"format" + b".a" * 500_000 + b" = 1", "dots"),
        (b"x = {" + b"a." * 500_000 + b"a = 1}", "dots"),
        (b"[a" * 20_000, "expected"),
    ],
    ids=lambda v: v[:12] if isinstance(v, bytes) else v,
)
def test_bombs_and_binary_files_are_refused(read, site, words):
    with pytest.raises(FileError, match=words):
        read(site=site)


def test_a_missing_file_and_a_folder_in_its_place_are_refused(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        read_site(tmp_path / "site.toml")
    with pytest.raises(FileError, match="cannot be read"):
        read_site(tmp_path)


# --- sightings as written -------------------------------------------------------------------------------------------


def test_readings_come_out_in_radians_and_microseconds(read):
    _, (one, two, three) = read()
    assert one == Sighting(1, "A", 1_777_630_830_500_000, 270 * DEG, 45 * DEG, 0.5 * DEG, 0.4 * DEG, None, "clear")
    assert (two.utc_us, two.azimuth_rad, two.note) == (None, 0.5 * DEG, "low sun, hazy")
    assert (three.flight, three.azimuth_rad, three.elevation_rad, three.note) == (2, None, 101.5 * DEG, "")


@pytest.mark.parametrize(
    "change",
    [
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: text.replace(",", " , ").replace("sun ,  hazy", "sun, hazy"),
        lambda text: text.replace("\n", "\n\n# between\n,,,,,,,\n"),
        lambda text: text.rstrip("\n"),
    ],
    ids=["byte order mark", "CRLF", "CR", "spaces", "empty lines and comments", "no last line end"],
)
def test_what_spreadsheets_and_people_do_to_a_file_changes_nothing(read, change):
    assert read(sightings=change(SIGHTINGS))[1] == read()[1]


def test_columns_may_stand_in_any_order_and_those_that_may_be_empty_may_be_missing(read):
    _, (only,) = read(sightings="elevation_deg,station,flight\n45,A,3\n")
    assert only == Sighting(3, "A", None, None, 45 * DEG)


def test_a_full_circle_is_north(read):
    _, (only,) = read(sightings="flight,station,azimuth_deg,elevation_deg\n1,A,360,45\n")
    assert only.azimuth_rad == 0.0


# --- sightings damaged ----------------------------------------------------------------------------------------------

HEADER = SIGHTINGS.split("\n")[1]
COLUMNS = HEADER.split(",")
GOOD = dict(zip(COLUMNS, ["1", "A", "2026-05-01T10:20:30.5Z", "270.0", "45.0", "0.5", "0.4", "clear"], strict=True))


def with_cell(column, cell):
    row = ",".join('"' + v.replace('"', '""') + '"' for v in (GOOD | {column: cell}).values())
    return f"# a comment\n\n{HEADER}\n{','.join(GOOD.values())}\n{row}\n"


BAD_NUMBERS = ["forty", "nan", "inf", "-inf", "1e999", "45,3", "45.3.1", "45°", "0x10", "1_0", "٤٥", "-100", "400", "--1", "=1+1"]
BAD_CELLS = {
    "flight": ["", "0", "-1", "1.5", "10000", "9" * 5000, "one", "1 2", "٤", "=1"],
    "station": ["", "X", "a", "A A", "<script>", "=A", "A\u200b"],
    "time_utc": [
        "10:20", "2026-05-01", "2026-05-01T10:20:30", "2026-05-01 10:20:30Z", "2026-13-01T10:20:30Z", "2026-02-30T10:20:30Z",
        "2026-05-01T25:20:30Z", "2026-05-01T10:20:60Z", "2026-05-01T10:20:30+02:00", "1969-05-01T10:20:30Z", "01.05.2026 10:20",
        "2026-05-01T10:20:30.1234567Z", "1777630830",
    ],
    "azimuth_deg": [*BAD_NUMBERS, "-1", "360.1"],
    "elevation_deg": ["", *BAD_NUMBERS, "-91", "180.5"],
    "sigma_azimuth_deg": [*BAD_NUMBERS, "0", "-0.5", "91"],
    "sigma_elevation_deg": [*BAD_NUMBERS, "0", "-0.5", "91"],
    "note": ["x" * 1001, "\x1b[31mred"],
}  # fmt: skip


@pytest.mark.parametrize(("column", "cell"), [(column, cell) for column, cells in BAD_CELLS.items() for cell in cells])
def test_a_wrong_cell_in_any_column_is_refused_where_it_stands(read, column, cell):
    error = refused(read, sightings=with_cell(column, cell))
    assert (error.line, error.field) == (5, column)
    assert f"sightings.csv, line 5, {column}: " in str(error)
    assert "expected" in str(error)


def test_every_column_of_the_format_is_damaged_above():
    assert list(BAD_CELLS) == COLUMNS


@pytest.mark.parametrize("column", COLUMNS)
def test_a_misspelt_column_is_refused_and_its_right_name_suggested(read, column):
    error = refused(read, sightings=SIGHTINGS.replace(column, column[:-1] + "x", 1))
    assert (error.line, error.field) == (2, column[:-1] + "x")
    assert f"did you mean '{column}'?" in str(error)


@pytest.mark.parametrize("column", COLUMNS)
def test_a_column_that_stands_twice_is_refused(read, column):
    error = refused(read, sightings=f"{HEADER},{column}\n")
    assert (error.line, error.field) == (1, column)


@pytest.mark.parametrize("column", ["flight", "station", "elevation_deg"])
def test_a_column_that_is_needed_must_be_there(read, column):
    error = refused(read, sightings=",".join(c for c in COLUMNS if c != column) + "\n")
    assert (error.line, error.field) == (1, column)


@pytest.mark.parametrize(
    ("sightings", "line", "words"),
    [
        (SIGHTINGS.replace(",", ";").replace(".", ","), 2, "semicolons.*commas.*decimal points"),
        (SIGHTINGS.replace(",", "\t"), 2, "tabs.*commas"),
        (SIGHTINGS.replace("45.0", "45,0"), 3, "9 values seen, 8 .*decimal point"),
        (SIGHTINGS.replace(",clear", ""), 3, "7 values seen, 8"),
        (SIGHTINGS.replace('hazy"', "hazy"), 4, "quotes in pairs"),
        ('"flight,station\n', 1, "quotes in pairs"),
        ("1,A,,45,45,,,\n", 1, "a header line expected"),
        ("", 1, "a header line expected"),
        ("# nothing but a comment\n", 1, "a header line expected"),
        (SIGHTINGS.encode("utf-16"), 1, "UTF-16"),
        (SIGHTINGS.replace("clear", "klär").encode("latin-1"), 3, "UTF-8"),
        (SIGHTINGS.replace("clear", "cl\0ear"), 3, "zero byte"),
    ],
)
def test_a_file_of_another_shape_is_refused_with_a_hint(read, sightings, line, words):
    with pytest.raises(FileError, match=words) as caught:
        read(sightings=sightings)
    assert caught.value.line == line


def test_all_wrong_cells_are_reported_at_once_up_to_twenty(read):
    error = refused(read, sightings=HEADER + "\n" + "0,A,,,45,,,\n1,X,,,high,,,\n" * 30)
    lines = str(error).split("\n")
    assert len(lines) == 20
    assert [re.search(r"line (\d+), (\w+): ", line).groups() for line in lines[:4]] == [
        ("2", "flight"),
        ("3", "station"),
        ("3", "elevation_deg"),
        ("4", "flight"),
    ]


def test_a_huge_file_of_readings_is_refused_before_it_is_read(tmp_path, read):
    site, _ = read()
    with (tmp_path / "huge.csv").open("wb") as file:
        file.truncate((64 << 20) + 1)
    with pytest.raises(FileError, match="larger than"):
        read_sightings(tmp_path / "huge.csv", site)


# --- sightings written ----------------------------------------------------------------------------------------------

ANGLES = st.floats(0.001, 89.999).map(lambda angle_deg: angle_deg * DEG)
PRINTABLE = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]) | st.sampled_from("'=+-@,;\"# "), max_size=20)


@given(
    st.lists(
        st.builds(
            Sighting,
            flight=st.integers(1, 9999),
            station=st.sampled_from(["A", "=1+1", "'@B"]),
            utc_us=st.none() | st.integers(0, 4_000_000_000_000_000),
            azimuth_rad=st.none() | ANGLES,
            elevation_rad=ANGLES,
            sigma_azimuth_rad=st.none() | ANGLES,
            sigma_elevation_rad=st.none() | ANGLES,
            note=PRINTABLE.map(lambda note: " ".join(note.split())),
        ),
        max_size=5,
    ).map(tuple)
)
def test_what_is_written_is_read_back(tmp_path_factory, sightings):
    folder = tmp_path_factory.mktemp("day")
    ids = ["A", "=1+1", "'@B"]
    rows = "".join(f'[[station]]\nid = "{name}"\neast_m = {n}\nnorth_m = 50\nup_m = 1\n' for n, name in enumerate(ids))
    (folder / "site.toml").write_text(f'format = 1\n[site]\nname = "x"\n{rows}')
    site = read_site(folder / "site.toml")
    write_sightings(folder / "sightings.csv", sightings, site)
    back = read_sightings(folder / "sightings.csv", site)
    assert len(back) == len(sightings)
    for one, other in zip(sightings, back, strict=True):
        assert (one.flight, one.station, one.utc_us, one.note) == (other.flight, other.station, other.utc_us, other.note)
        for name in ("azimuth_rad", "elevation_rad", "sigma_azimuth_rad", "sigma_elevation_rad"):
            before, after = getattr(one, name), getattr(other, name)
            assert after == (None if before is None else pytest.approx(before, abs=1e-11))
    write_sightings(folder / "again.csv", back, site)
    assert (folder / "again.csv").read_bytes() == (folder / "sightings.csv").read_bytes()


def test_no_text_that_is_written_begins_like_a_formula(tmp_path, read):
    site, _ = read()
    notes = ("=HYPERLINK(0)", "+1", "-1", "@x", "'=1", " =1", "\t=1", "\n=1")
    write_sightings(tmp_path / "out.csv", tuple(Sighting(1, "A", None, None, 1.0, note=note) for note in notes), site)
    cells = [line.split(",")[-1] for line in (tmp_path / "out.csv").read_text().splitlines()[1:]]
    assert len(cells) == len(notes)
    assert all(cell.startswith("'") for cell in cells)


def test_a_reading_from_nowhere_is_not_written(tmp_path, read):
    site, _ = read()
    with pytest.raises(KeyError):
        write_sightings(tmp_path / "out.csv", (Sighting(1, "nowhere", None, None, 1.0),), site)


def test_a_folder_that_cannot_be_written_is_an_error_of_the_file(tmp_path, read):
    site, sightings = read()
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(FileError, match="cannot be written"):
        write_sightings(tmp_path / "taken" / "out.csv", sightings, site)


# --- flights --------------------------------------------------------------------------------------------------------


def test_readings_become_flights_by_their_numbers():
    readings = [Sighting(n, s, None, None, 0.5) for n, s in ((2, "A"), (1, "A"), (1, "B"), (2, "B"))]
    flights = flights_from_hand(readings)
    assert [(f.number, [s.station for s in f.sightings]) for f in flights] == [(1, ["A", "B"]), (2, ["A", "B"])]
    assert all(f.set_aside == () and f.tracks == () for f in flights)


def test_the_last_of_two_readings_counts_and_the_earlier_is_set_aside_with_its_figures():
    first, last = Sighting(1, "A", None, 0.5 * np.pi, 40 * DEG), Sighting(1, "A", None, 0.5 * np.pi, 50 * DEG)
    (flight,) = flights_from_hand([first, Sighting(1, "B", None, None, 0.5), last])
    assert flight.sightings[0] == last
    ((station, quantity, reason),) = [(e.station, e.quantity, e.reason) for e in flight.set_aside]
    assert (station, quantity) == ("A", "sighting")
    assert "later reading" in reason
    assert "azimuth 90.00°, elevation 40.00°" in reason
