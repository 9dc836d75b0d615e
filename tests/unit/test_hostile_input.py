"""Nothing from a unit or a file can harm the host: refused or escaped. See also test_bundle, test_archive and test_pull."""

import csv
import json
import random
import re
import struct
import subprocess
import sys

import pytest
from click.testing import CliRunner

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.calibrate.document import calibration_for, concerns, read_document
from apexfix.cli import main
from apexfix.clock import clocks
from apexfix.decisions import ASSIGNMENTS_NAME, LARGEST_ASSIGNMENTS_BYTES, Decision, add_decision, read_decisions
from apexfix.errors import ApexfixError, CalibrationError, FileError
from apexfix.records import Damage, Note, Unknown, scan
from apexfix.site_file import LARGEST_SITE_BYTES, read_site
from apexfix.wire import Exchange, Noise, Receiver

FORMULA = "=HYPERLINK(1)"
MARKUP = "<script>alert(1)</script>"


@pytest.fixture
def day(tmp_path):
    stations = "".join(
        f"[[station]]\nid = '{name}'\neast_m = {east}\nnorth_m = {north}\nup_m = 1.5\n"
        for name, east, north in ((FORMULA, 100.0, 0.0), ("<b onload=x>", 0.0, -100.0), ("@SUM(A1)", -70.0, 70.0))
    )
    (tmp_path / "site.toml").write_text(f"format = 1\n[site]\nname = '{MARKUP}'\n{stations}")
    (tmp_path / "sightings.csv").write_text(
        "flight,station,azimuth_deg,elevation_deg,note\n"
        f"1,'{FORMULA},270,45,\"+1+1 {MARKUP}\"\n1,<b onload=x>,0,45,-2\n1,'@SUM(A1),135,45,'=1\n2,'{FORMULA},270,45,\n"
    )
    return tmp_path


def test_no_csv_that_is_written_holds_what_a_spreadsheet_would_run(day):
    assert CliRunner().invoke(main, ["report", str(day)]).exit_code == 1  # flight 2 is seen from one station only
    typed = CliRunner().invoke(main, ["enter", str(day)], input="3\n45\n\n45\n\n-\nq\n")
    assert typed.exit_code == 0, typed.output
    written = sorted(day.rglob("*.csv"))
    assert {path.name for path in written} > {"results.csv", "sightings.csv", "readings.csv", "excluded.csv"}
    cells = [cell for path in written for row in csv.reader(path.read_text(encoding="utf-8").splitlines()) for cell in row]
    bad = [cell for cell in cells if re.match(r"[=+\-@\t\r]", cell) and not re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", cell)]
    # what a person wrote into the hand file stays as it was; of ours nothing may run
    assert set(bad) <= {f"+1+1 {MARKUP}", "-2"}
    assert any(cell.startswith(f"'{FORMULA}") for cell in cells)
    results = csv.reader((day / "report" / "results.csv").read_text(encoding="utf-8").splitlines())
    assert not [cell for row in results for cell in row if cell in bad]


def test_names_in_the_report_are_text_and_never_markup(day):
    CliRunner().invoke(main, ["report", str(day)])
    page = (day / "report" / "report.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;" in page
    assert MARKUP not in page
    assert "<b onload" not in page
    assert page.lower().count("<script") == 1  # our own, which turns a figure


@pytest.mark.parametrize("name", ["\x1b[2J", "a\x07b", "a\u202eb", "a\nb", "../../x\x00"])
def test_a_site_whose_names_could_move_a_terminal_is_refused(tmp_path, name):
    escaped = "".join(f"\\u{ord(c):04x}" for c in name)
    (tmp_path / "site.toml").write_text(f'format = 1\n[site]\nname = "{escaped}"\n')
    with pytest.raises(FileError) as refused:
        read_site(tmp_path / "site.toml")
    assert str(refused.value).isprintable()


BOMBS = {
    "dotted key": "a" + ".a" * 400_000 + " = 1",
    "nested arrays": "a = " + "[" * 100_000,
    "nested tables": "a = " + "{b=" * 100_000,
    "long number": "a = " + "9" * 500_000,
    "many tables": "[[station]]\n" * 80_000,
    "many keys": "".join(f"k{n} = 1\n" for n in range(80_000)),
    "too large": "#" * (LARGEST_SITE_BYTES + 1),
}


@pytest.mark.parametrize("bomb", BOMBS.values(), ids=BOMBS.keys())
def test_a_toml_bomb_is_refused_within_bounded_time_and_memory(tmp_path, bomb):
    (tmp_path / "site.toml").write_text(bomb)
    code = (
        "import resource, sys\n"
        "resource.setrlimit(resource.RLIMIT_CPU, (60, 60))\n"
        "from apexfix.cli import main\n"
        "main(['reduce', sys.argv[1]], standalone_mode=False)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    if sys.platform != "linux":
        pytest.skip("the limits are set in the way of that system")
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-500:]
    assert "site.toml" in done.stderr
    assert "Traceback" not in done.stderr
    assert int(done.stdout.split()[-1]) < 1 << 20  # KiB: a gibibyte


def test_a_record_that_announces_more_than_there_is_hides_no_sound_one(kit):
    liar = b"AX\x02\x01\xff\xff" + bytes(4)
    found = scan(liar + kit.press_record(7))
    assert found[0] == Damage(0, len(liar))
    assert found[1].sequence == 7


def test_a_talker_without_end_takes_no_memory():
    receiver, held = Receiver(), 0
    for _ in range(2000):
        held = max(held, sum(len(event.text) for event in receiver.feed(b"x" * 5000) if isinstance(event, Noise)))
    assert held < 10_000
    assert len(receiver._pending) < 1000


def test_what_a_unit_notes_cannot_move_a_terminal(kit):
    (note,) = scan(kit.record(4, 1, bytes(8) + b"\x03" + b"\x1b]0;owned\x07\x1b[2J\r" + "\u202e".encode()))
    assert isinstance(note, Note)
    assert all(c.isprintable() or c in "\n\t" for c in note.text)


def test_no_parser_lets_anything_but_its_own_error_out(root):
    command = [sys.executable, str(root / "bench" / "fuzz_parsers.py"), "--random", "--seconds", "0.4", "--seed", "7"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert done.stdout.count(" 0 uncaught") == 16


# --- numbers that cannot be -----------------------------------------------------------------------------------------

NAN, INFINITE, HUGE = float("nan"), float("inf"), 1e38
EARLIEST, LATEST = -(1 << 63), (1 << 63) - 1


def pressed(attitude=(1.0, 0.0, 0.0, 0.0), offset=(0.0, 0.0, 0.0), t_us=5_000_000):
    return struct.pack("<BBHqIfffffffqhH", 1, 1, 7, t_us, 1, *attitude, *offset, -1, 2150, 1)


@pytest.mark.parametrize(
    "press",
    [
        pressed(attitude=(NAN, 0.0, 0.0, 0.0)),
        pressed(attitude=(INFINITE, 0.0, 0.0, 0.0)),
        pressed(attitude=(HUGE, 0.0, 0.0, 0.0)),
        pressed(attitude=(0.5, 0.5, 0.0, 0.0)),
        pressed(offset=(0.0, NAN, 0.0)),
        pressed(offset=(0.0, 0.0, -INFINITE)),
        pressed(t_us=EARLIEST),
        pressed(t_us=LATEST),
    ],
)
def test_a_press_that_cannot_be_is_kept_whole_and_not_used(kit, press):
    (record,) = scan(kit.record(2, 1, press))
    assert isinstance(record, Unknown)
    assert record.raw == kit.record(2, 1, press)


def test_a_window_whose_times_do_not_rise_is_kept_whole_and_not_used(kit):
    sound = kit.window_record(1, 2, count=2, total=2)
    first, second = sound[22:38], sound[38:54]
    (record,) = scan(kit.record(3, 1, sound[10:22] + second + first))
    assert isinstance(record, Unknown)


def wild_day(rng, hand_day, kit):
    """Fill a day with records whose checks are right and whose numbers a broken or hostile unit made up."""

    def of(good):
        return good if rng.random() < 0.7 else rng.choice((NAN, INFINITE, 0.0, HUGE, -HUGE, 1e-40, 0.5))

    def press(sequence):
        fields = (
            rng.choice((1, 1, 2, 0, 255)), rng.choice((1, 2, 9)), rng.choice((1, 2, 0, 65535)),
            rng.choice((10_000_000, rng.randrange(60_000_000), EARLIEST, LATEST, (1 << 53) - 1, -5)),
            rng.choice((1, 1, 0, (1 << 32) - 1)),
            of(1.0), of(0.0), of(0.0), of(0.0), of(0.0), of(0.0), of(0.0),
            rng.choice((-1, 0, LATEST)), rng.choice((2150, -32768)), rng.choice((1, 0, 65535)),
        )  # fmt: skip
        return kit.record(2, sequence, struct.pack("<BBHqIfffffffqhH", *fields))

    def window(sequence):
        count = rng.choice((1, 2, 50))
        times = sorted(rng.sample(range(-(1 << 31), 1 << 31), count)) if rng.random() < 0.2 else range(0, 10_000 * count, 10_000)
        samples = (struct.pack("<i6h", t, *(rng.choice((0, 1, 32767, -32768, 16384)) for _ in range(6))) for t in times)
        head = struct.pack("<IHHBBh", sequence - 2, 0, rng.choice((count, 65535)), count, 0, -32768)
        return kit.record(3, sequence, head + b"".join(samples))

    def axis(sequence):
        return kit.record(7, sequence, struct.pack("<IH", sequence - 1, rng.choice((0, 1024, 4095, 4096, 65535))))

    for name in ("u01", "u02"):
        scale = rng.choice((0, -1, 1e300, 10**18)) if rng.random() < 0.1 else 16384
        hand_day.unit(name, [hand_day.boot(name, accel_lsb_per_g=scale), *(press, axis, window) * 5])
    guided = [f"u01log,{sequence},{rng.choice(('stand', 'encoder', 'ignore'))},30,1,1" for sequence in range(2, 8)]
    (hand_day.folder / "steps.csv").write_text("\n".join(["log,record,step,target,face,set", *guided]))
    with open_archive(hand_day.folder / ARCHIVE_NAME) as archive:
        for boot in (1, 0, (1 << 32) - 1):
            stamps = (rng.choice((EARLIEST, LATEST, 0, 5_000_000)) for _ in range(5))
            archive.add_exchange(Exchange("serial-u01", "u01log", boot, *stamps))


@pytest.mark.parametrize("seed", range(8))
def test_no_day_of_numbers_that_cannot_be_breaks_a_command_or_gives_a_number_that_is_none(hand_day, kit, seed):
    wild_day(random.Random(seed), hand_day, kit)
    for words in (["reduce", "--json"], ["report"], ["verify"], ["assign", "--all"]):
        done = CliRunner().invoke(main, [words[0], str(hand_day.folder), *words[1:]])
        assert done.exception is None or isinstance(done.exception, SystemExit), (words, done.exception)
        if words == ["reduce", "--json"] and done.exit_code in (0, 1):
            json.loads(done.stdout, parse_constant=lambda number: pytest.fail(f"{number} in the answer"))


def test_stamps_that_no_clock_shows_make_no_clock():
    good = Exchange("e661", "L", 1, 1_800_000_000_000_000, 5_000_000, 5_000_010, 1_800_000_000_001_000, 7)
    bad = [Exchange("e661", "L", boot, LATEST, EARLIEST, LATEST, EARLIEST, LATEST) for boot in (1, 2)]
    assert clocks([*bad, good]) == clocks([good])


# --- calibrations and decisions -------------------------------------------------------------------------------------

DOCUMENT = {
    "format": 1, "serial": "e661", "id": "c1", "date_utc": "2026-05-01T10:20:30+00:00", "temperature_celsius": [10, 30],
    "tube_body": [1, 0, 0],
}  # fmt: skip
DIGITS = "9" * 400
CALIBRATIONS = {
    "a number of 400 digits": json.dumps(DOCUMENT)[:-1] + f', "accel_offset_g": [{DIGITS}, 0, 0]}}',
    "a sigma of 400 digits": json.dumps(DOCUMENT)[:-1] + f', "sigma_elevation_zero_deg": {DIGITS}}}',
    "a temperature of 400 digits": json.dumps(DOCUMENT).replace("[10, 30]", f"[{DIGITS}, 1]"),
    "a number of 5000 digits": '{"format": ' + "9" * 5000 + "}",
    "no number": json.dumps({**DOCUMENT, "accel_offset_g": [NAN] * 3}),
    "brackets": "[" * 200_000,
    "braces": '{"a":' * 100_000,
    "another sensor": json.dumps({**DOCUMENT, "imu": "\x1b[2J\x07<b>"}),
    "another unit": json.dumps({**DOCUMENT, "serial": "\x1b]0;owned\x07"}),
    "another shape": json.dumps({**DOCUMENT, "accel_matrix": [[1, 2], [3], "\x1b[2J"]}),
    "a text": '"' + "x" * (17 << 20) + '"',
}


@pytest.mark.parametrize("text", CALIBRATIONS.values(), ids=CALIBRATIONS.keys())
def test_a_hostile_calibration_is_refused_in_words_that_move_no_terminal(tmp_path, text):
    path = tmp_path / "calibration-e661.json"
    path.write_text(text)
    boot = {"accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5, "imu": "MPU-6050"}

    def used():
        calibration_for(tmp_path, "e661", boot)
        concerns(read_document(path), 0, 20.0)

    with pytest.raises((FileError, CalibrationError)) as refused:
        used()
    assert str(refused.value).isprintable()


def test_texts_of_a_calibration_are_made_safe(tmp_path):
    (tmp_path / "calibration-e661.json").write_text(json.dumps({**DOCUMENT, "id": "\x1b[2J\u202e<b>"}))
    boot = {"accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5}
    assert calibration_for(tmp_path, "e661", boot).id == "\ufffd[2J\ufffd<b>"


@pytest.mark.parametrize(
    "line",
    [
        "2026-05-01T10:20:30Z,\x1b[2Jm,3,",
        "2026-05-01T10:20:30Z,m,3,\u202enote",
        "2026-05-01T10:20:30Z,m,=1+1,",
        f"2026-05-01T10:20:30Z,m,{DIGITS},",
        "9999999-05-01T10:20:30Z,m,3,",
        '"' * 100_001,
        "x" * LARGEST_ASSIGNMENTS_BYTES,
    ],
)
def test_a_hostile_decision_is_refused_in_words_that_move_no_terminal(tmp_path, line):
    (tmp_path / ASSIGNMENTS_NAME).write_text(f"decided_utc,mark,flight,note\n{line}\n", encoding="utf-8")
    with pytest.raises(ApexfixError) as refused:
        read_decisions(tmp_path)
    assert str(refused.value).isprintable()
    assert len(str(refused.value)) < 500


def test_a_decision_is_written_so_that_no_spreadsheet_runs_it(tmp_path):
    decision = Decision(1_777_000_000_000_000, "=cmd()", "-", "@SUM(A1)")
    add_decision(tmp_path, decision)
    rows = csv.reader((tmp_path / ASSIGNMENTS_NAME).read_text(encoding="utf-8").splitlines()[1:])
    assert not [cell for row in rows for cell in row if re.match(r"[=+@\t\r]|-.", cell)]
    assert read_decisions(tmp_path) == (decision,)
