"""Nothing from a unit or a file can harm the host: refused or escaped. See also test_bundle, test_archive and test_pull."""

import csv
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.errors import FileError
from apexfix.records import Damage, Note, scan
from apexfix.site_file import LARGEST_SITE_BYTES, read_site
from apexfix.wire import Noise, Receiver

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
    assert done.stdout.count(" 0 uncaught") == 11
