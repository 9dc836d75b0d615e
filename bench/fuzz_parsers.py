"""Every parser of the host, fed with damaged and hostile bytes: does anything but its own error come out?

With atheris (guided by coverage) where that is installed, one process for each parser; else, or with --random, seeded random
mutation of sound samples, as a test repeats it. An input that takes longer than two seconds is a failure, too.

    python bench/fuzz_parsers.py [--seconds 60] [--random] [--only NAME]
"""

import argparse
import importlib.util
import json
import random
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import FunctionType

from host_killed import ROOT, scripted

from apexfix.angle_words import angle_deg
from apexfix.archive import Unit, open_archive
from apexfix.bundle import MANIFEST_NAME, import_day
from apexfix.calibrate.document import calibration_for, concerns, file_name, read_document
from apexfix.calibrate.imu import carried_calibration
from apexfix.calibrate.steps import STEPS_NAME, read_steps
from apexfix.compare.control_file import read_control
from apexfix.day import read_sightings, read_site
from apexfix.decisions import read_decisions
from apexfix.errors import ApexfixError
from apexfix.fields import Unfit
from apexfix.hand_entry import Entry, Finished, answered, question
from apexfix.learn.flights_file import read_flights
from apexfix.predict.rocket_file import read_rocket
from apexfix.records import Boot, Damage, Scanner, scan
from apexfix.session import HostClock, Patience, Session
from apexfix.verify import audit
from apexfix.wire import Receiver

LONGEST_S = 2.0  # for one input of at most LARGEST bytes
LARGEST = 4096
TOKENS = (
    b"\0",
    b"AX",
    b"\xff\xff\xff\xff",
    b"9" * 40,
    b"9" * 400,
    b'"',
    b"[" * 60,
    b"\x1b[2J",
    b"\xf0\x9f\x9a\x80",
    b"e308",
    b"-",
    b"\n",
)
FLIGHTS_TOML = (
    b"format = 1\n[[flight]]\nnumber = 4\nrocket = 'x'\nlift_off_utc = 2026-05-01T10:20:30.5Z\nsigma_time_to_apex_s = 0.1\n"
)
BRISK = Patience(answer_s=0.1, start_s=0.1, attempts=2)  # of a session: the same paths, sooner
EXPECTED = (ApexfixError, Unfit)


@dataclass(frozen=True)
class Target:
    feed: Callable[[bytes], None]
    samples: tuple[bytes, ...]


class Echo:
    """A line that says one thing whatever it is asked, with its own clock."""

    def __init__(self, said: bytes) -> None:
        self._said, self._left, self.now_s = said, said, 0.0

    def read(self, most: int) -> bytes:
        self.now_s += 0.05
        piece, self._left = self._left[:most], self._left[most:]
        return piece

    def write(self, data: bytes) -> None:
        self._left = self._said


def targets(scratch: Path) -> dict[str, Target]:
    kit = scripted()
    log = kit.boot_record(1) + kit.press_record(2) + kit.window_record(3, 2) + kit.record(4, 4, bytes(9) + b"note")
    log += kit.record(5, 5, bytes(13)) + kit.record(6, 6, bytes(31)) + kit.record(7, 7, b"\2\0\0\0\xff\x0f") + b"AX torn"
    unit = kit.FakeUnit({1: log})
    answers = tuple(
        b"".join(unit.answer(1, verb, words))
        for verb, words in (("hello", ()), ("clock", ()), ("segments", ()), ("read", (1, 0, 8192)), ("status", ()))
    )
    example = ROOT / "docs" / "example-day"
    site = read_site(example / "site.toml")
    zipped = scratch / "sample.zip"
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED) as out:
        files = [{"name": "site.toml", "bytes": 3, "sha256": sha256(b"a=1").hexdigest()}]
        out.writestr(MANIFEST_NAME, json.dumps({"format": 1, "files": files}))
        out.writestr("site.toml", "a=1")
    database = scratch / "sample.sqlite"
    with open_archive(database) as archive:
        archive.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        archive.add_segment_bytes("e661", "L", 1, 0, log)
    held = database.read_bytes()
    encoder = {"coefficients_deg": [0.1] * 8, "covariance_deg2": [[0.01] * 8] * 8}
    carried = json.dumps({"accel_offset_g": [0, 0, 0], "encoder": encoder})
    boot_text = f'{{"boot":1,"log":"L","unit":"u","serial":"s","calibration":{carried}}}'.encode()
    sensor = {"accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5}
    figures = {"format": 1, "serial": "e661", "id": "c1", "date_utc": "2026-05-01T10:20:30+00:00", "temperature_celsius": [10, 30]}
    matrices = {name: [[1, 0, 0], [0, 1, 0], [0, 0, 1]] for name in ("accel_matrix", "gyro_matrix")}
    lines = {"accel_offset_g": [0, 0, 0], "tube_body": [1, 0, 0], "encoder": encoder}
    calibration = json.dumps({**figures, **matrices, **lines}).encode()
    steps = b"log,record,step,target,face,set\nL,2,stand,,1,1\nL,3,encoder,30,1,1\nL,4,test,gable,2,3\n"
    decided = b"decided_utc,mark,flight,note\n2026-05-01T10:20:30Z,u01-9f3a-7,3,why\n"

    def wire(data: bytes) -> None:
        list(Receiver().feed(data))

    def records(data: bytes) -> None:
        scanner = Scanner()
        pieces = [item for at in range(0, len(data), 97) for item in scanner.feed(data[at : at + 97])] + [*scanner.finish()]
        assert [_what(item) for item in pieces] == [_what(item) for item in scan(data)]

    def boot(data: bytes) -> None:
        for item in scan(kit.record(1, 1, data)):
            if isinstance(item, Boot):
                carried_calibration(item.value)

    def session(data: bytes) -> None:
        for ask in ("hello", "exchange", "segments", "status"):
            line = Echo(data)
            talk = Session(line, HostClock(lambda: 0, lambda: 0, lambda line=line: line.now_s), BRISK)
            _quiet(getattr(talk, ask))
        line = Echo(data)
        _quiet(lambda: list(Session(line, HostClock(elapsed_s=lambda: line.now_s), BRISK).read_segment(1)))

    def from_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes], None]:
        def feed(data: bytes) -> None:
            path = scratch / name
            path.write_bytes(data)
            read(path)

        return feed

    def archived(path: Path) -> None:
        with open_archive(path) as archive:
            audit(archive)

    def patched(data: bytes) -> None:
        """Lay the bytes over the sample: the first two of every eight say where, the others what."""
        raw = bytearray(held)
        for at in range(0, len(data) - 8, 8):
            place = int.from_bytes(data[at : at + 2], "little") % len(raw)
            raw[place : place + 6] = data[at + 2 : at + 8]
        path = scratch / "fuzzed.sqlite"
        path.write_bytes(raw[: len(held)])
        archived(path)

    def entered(data: bytes) -> None:
        entry: Entry | Finished = Entry(site, 1)
        for words in data.decode("utf-8", "replace").split("\n"):
            if isinstance(entry, Finished):
                return
            question(entry)
            entry = _quiet(lambda words=words, entry=entry: answered(entry, words)) or entry

    def calibrated(path: Path) -> None:
        calibration_for(path.parent, "e661", sensor)
        concerns(read_document(path), 0, 20.0)

    def angle(data: bytes) -> None:
        angle_deg(data.decode("utf-8", "replace"))

    def imported(path: Path) -> None:
        import_day(path, Path(tempfile.mkdtemp(dir=scratch)) / "day")

    text = (b"45 30", b"45.5", b"45\xc2\xb030'15\"")
    return {
        "wire": Target(wire, answers),
        "records": Target(records, (log,)),
        "boot": Target(boot, (boot_text,)),
        "session": Target(session, answers),
        "angle": Target(angle, text),
        "entry": Target(entered, (b"\n45\n0\n45\n270\n45\n0", b"3\n97\ny\n10\nb\nb\n-")),
        "site": Target(from_file("site.toml", read_site), ((example / "site.toml").read_bytes(),)),
        "sightings": Target(
            from_file("sightings.csv", lambda path: read_sightings(path, site)), ((example / "sightings.csv").read_bytes(),)
        ),
        "decisions": Target(from_file("assignments.csv", lambda path: read_decisions(path.parent)), (decided,)),
        "steps": Target(from_file(STEPS_NAME, lambda path: read_steps(path.parent)), (steps,)),
        "calibration": Target(from_file(file_name("e661"), calibrated), (calibration,)),
        "control": Target(from_file("altimeter.csv", read_control), ((example / "altimeter.csv").read_bytes(),)),
        "flights": Target(from_file("flights.toml", read_flights), (FLIGHTS_TOML,)),
        "rocket": Target(
            from_file("rocket.toml", read_rocket), ((ROOT / "docs" / "example-rockets" / "burnout.toml").read_bytes(),)
        ),
        "bundle": Target(from_file("fuzzed.zip", imported), (zipped.read_bytes(),)),
        "archive": Target(patched, (bytes(range(64)),)),
    }


def _what(item: object) -> object:
    return item if isinstance(item, Damage) else item.raw


def _quiet(ask: Callable[[], object]) -> object:
    try:
        return ask()
    except EXPECTED:
        return None


def mutated(rng: random.Random, sample: bytes) -> bytes:
    raw = bytearray(sample)
    for _ in range(rng.choice((0, 1, 1, 2, 4, 16))):
        at = rng.randrange(len(raw) + 1)
        match rng.randrange(6):
            case 0 if at < len(raw):
                raw[at] ^= 1 << rng.randrange(8)
            case 1:
                raw[at : at + rng.randrange(1, 9)] = rng.randbytes(rng.randrange(9))
            case 2:
                del raw[at : at + rng.randrange(1, 200)]
            case 3:
                raw[at:at] = rng.choice(TOKENS)
            case 4:
                begin = rng.randrange(len(raw) + 1)
                raw[at:at] = raw[begin : begin + rng.randrange(1, 400)]
            case _:
                del raw[at:]
    return bytes(raw[:LARGEST])


def tried(name: str, target: Target, data: bytes) -> float:
    """Feed one input; return the seconds that it took. Anything but the parser's own error ends the run and shows the input."""
    begin = time.process_time()
    try:
        target.feed(data)
    except EXPECTED:
        pass
    except BaseException:
        print(f"FAILED: {name} on {data.hex()}")
        raise
    took_s = time.process_time() - begin
    if took_s > LONGEST_S:
        raise SystemExit(f"FAILED: {name} took {took_s:.1f} s on {data.hex()}")
    return took_s


def at_random(name: str, target: Target, seconds: float, seed: int) -> str:
    rng, count, longest_s, end = random.Random(f"{seed} {name}"), 0, 0.0, time.monotonic() + seconds
    while time.monotonic() < end:
        data = rng.randbytes(rng.randrange(200)) if rng.random() < 0.1 else mutated(rng, rng.choice(target.samples))
        longest_s = max(longest_s, tried(name, target, data))
        count += 1
    return f"{name:11s} {count:9d} inputs, longest {1e3 * longest_s:6.1f} ms, 0 uncaught"


def guided(name: str, target: Target, seconds: float, scratch: Path) -> None:
    """Let atheris feed this process until the time is over; it ends the process itself."""
    import atheris

    corpus = scratch / "corpus"
    corpus.mkdir()
    for n, sample in enumerate(target.samples):
        (corpus / str(n)).write_bytes(sample)
    words = [sys.argv[0], str(corpus), f"-max_total_time={seconds:.0f}", f"-max_len={LARGEST}", "-seed=1", "-print_final_stats=1"]
    for function in ours():
        atheris.instrument_func(function)
    atheris.Setup(words, lambda data: tried(name, target, data))
    atheris.Fuzz()


def ours() -> list[Callable[..., object]]:
    """Return the functions and methods of the modules that were loaded: to instrument all of Python takes minutes."""
    modules = [module for name, module in sys.modules.items() if name.startswith("apexfix")]
    found = {id(value): value for module in modules for value in vars(module).values() if _is_ours(value)}
    classes = [value for value in found.values() if isinstance(value, type)]
    methods = [value for each in classes for value in vars(each).values() if isinstance(value, FunctionType)]
    return [value for value in [*found.values(), *methods] if isinstance(value, FunctionType)]


def _is_ours(value: object) -> bool:
    return isinstance(value, FunctionType | type) and value.__module__.startswith("apexfix")


def guided_apart(name: str, seconds: float) -> str:
    command = [sys.executable, __file__, "--only", name, "--seconds", str(seconds), "--inside"]
    done = subprocess.run(command, capture_output=True, text=True)
    told = done.stdout + done.stderr
    if done.returncode or "FAILED" in told:
        raise SystemExit(f"{name}:\n{told[-6000:]}")
    stats = dict(line.removeprefix("stat::").split(":") for line in told.splitlines() if line.startswith("stat::"))
    return f"{name:11s} {int(stats['number_of_executed_units']):9d} inputs guided by coverage, 0 uncaught"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60, help="for each parser")
    parser.add_argument("--random", action="store_true")
    parser.add_argument("--only", default="")
    parser.add_argument("--inside", action="store_true", help="run one parser in this process under atheris")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    by_chance = options.random or importlib.util.find_spec("atheris") is None
    with tempfile.TemporaryDirectory() as scratch:
        for name, target in targets(Path(scratch)).items():
            if options.only in ("", name):
                if options.inside:
                    guided(name, target, options.seconds, Path(scratch))
                said = at_random(name, target, options.seconds, options.seed) if by_chance else guided_apart(name, options.seconds)
                print(said, flush=True)


if __name__ == "__main__":
    main()
