"""The host is killed (SIGKILL) at random instants of pulls and of reductions: is anything lost that was confirmed?

A child process pulls a scripted unit and says through a pipe, after each call that promises it, what is safe; what the unit was
told to erase is erased for good. After the kill the archive must hold all of that, `verify` must find no damage, and a new pull
must complete with every byte equal. Reductions are killed on a day of hand readings and units alike. Merges of two laptops'
folders and imports of a packed day are killed, too, at a quarter as many instants: what is done once more must give what it gives
undisturbed.

    python bench/host_killed.py [--points 200]
"""

import argparse
import importlib.util
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

from click.testing import CliRunner

from apexfix.archive import ARCHIVE_NAME, Archive, Unit, open_archive
from apexfix.bundle import export_day, import_day
from apexfix.cli import main as apexfix
from apexfix.cli.reduction import reduced
from apexfix.cli.report_files import write_report
from apexfix.day import read_sightings, read_site
from apexfix.day_merge import merge_day
from apexfix.decisions import Decision, add_decision, in_force, read_decisions
from apexfix.pull import PullOptions, pull_unit
from apexfix.reduce.options import Options
from apexfix.session import HostClock, Session
from apexfix.verify import audit

ROOT = Path(__file__).resolve().parents[1]
LOG = "9f3a01c2"
SERIAL = "e661"
UTC_US = 1_800_000_000_000_000


def scripted() -> type:
    """Return the scripted unit of the tests, and what packs its records."""
    spec = importlib.util.spec_from_file_location("scripted", ROOT / "tests" / "unit" / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Kit


def log_of_a_day(kit: type) -> dict[int, bytes]:
    segments, sequence = {}, 1
    for number in range(1, 5):
        records = [kit.boot_record(sequence, boot=number)]
        for flight in range(6):
            press = sequence + 1 + 11 * flight
            records.append(kit.press_record(press, t_us=60_000_000 * flight + 5_000_000, boot=number))
            records += [kit.window_record(press + 1 + n, press, first=100 * n, total=1000, count=100) for n in range(10)]
        segments[number] = b"".join(records)
        sequence += 67
    segments[2] += b"AX torn"
    return segments


class Telling:
    """An archive that says through a pipe what it has promised."""

    def __init__(self, archive: Archive, pipe: int) -> None:
        self._archive, self._pipe = archive, pipe

    def __getattr__(self, name: str) -> object:
        return getattr(self._archive, name)

    def add_segment_bytes(self, serial: str, log: str, number: int, offset: int, data: bytes) -> None:
        self._archive.add_segment_bytes(serial, log, number, offset, data)
        os.write(self._pipe, b"%d %d\n" % (number, offset + len(data)))


def pull(unit: object, archive: Archive | Telling) -> str:
    host = HostClock(lambda: UTC_US + unit.t_us(), unit.t_us, unit.elapsed_s)
    return pull_unit(Session(unit, host), archive, "COM3", PullOptions(tidy=True, host=host)).error


def killed_after(seconds: float, work) -> bytes:
    """Run work(pipe) in a child, kill it after a while, and return what it had said."""
    ours, theirs = os.pipe()
    child = os.fork()
    if not child:
        os.close(ours)
        work(theirs)
        os._exit(0)
    os.close(theirs)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(ours, "rb") as pipe:
        return pipe.read()


def pull_killed(kit: type, folder: Path, log: dict[int, bytes], seconds: float) -> tuple[int, int]:
    """Return the bytes that were promised and how many of them were lost."""
    unit = kit.FakeUnit(dict(log))
    path = folder / ARCHIVE_NAME
    erase = unit._forget

    def work(pipe: int) -> None:
        def forget(tag, number, length, check):
            done = erase(tag, number, length, check)
            os.write(pipe, b"%d forgotten\n" % int(number))
            return done

        unit._forget = forget
        with open_archive(path) as archive:
            pull(unit, Telling(archive, pipe))

    said = [line.split() for line in killed_after(seconds, work).splitlines()]
    promised: dict[int, int] = {}
    for number, what in said:
        promised[int(number)] = len(log[int(number)]) if what == b"forgotten" else max(int(what), promised.get(int(number), 0))
    with open_archive(path) as archive:
        held = {number: archive.segment_bytes(SERIAL, LOG, number) for number in log}
        lost = sum(max(0, size - len(held[number])) for number, size in promised.items())
        wrong = sum(not data.startswith(held[number]) for number, data in log.items())
        sound = audit(archive).damaged == ()
        for number, what in said:
            if what == b"forgotten":
                del unit.segments[int(number)]  # for good: what the archive lacks now is lost
        unit.forgotten.clear()
        error = pull(unit, archive)
        whole = all(archive.segment_bytes(SERIAL, LOG, number) == data for number, data in log.items())
        sound &= audit(archive).damaged == () and archive.conflicts() == ()
    if lost or wrong or error or not whole or not sound:
        raise SystemExit(f"killed after {seconds:.4f} s: lost {lost}, wrong {wrong}, whole {whole}, sound {sound}, {error}")
    return sum(promised.values()), lost


def reduction_killed(day: Path, seconds: float, expected: list[float], before: bytes) -> bool:
    """Return whether the report was still unfinished."""
    said = killed_after(seconds, lambda pipe: (write_report(reduced(day, Options()), day), os.write(pipe, b"done"))[0])
    verified = CliRunner().invoke(apexfix, ["verify", str(day)])
    again = [None if r.position_m is None else float(r.position_m[2]) for r in reduced(day, Options()).flights]
    if verified.exit_code or again != expected or (day / ARCHIVE_NAME).read_bytes() != before:
        raise SystemExit(f"a reduction killed after {seconds:.4f} s left damage:\n{verified.output}")
    write_report(reduced(day, Options()), day)
    return said != b"done"


def folder_of_a_laptop(folder: Path, log: dict[int, bytes], mark: str, flight: int) -> Path:
    """Write the folder of a laptop that pulled these segments, with hand readings and a decision of its own."""
    shutil.copytree(ROOT / "docs" / "example-day", folder)
    with (folder / "sightings.csv").open("a") as file:
        file.writelines(f"{flight + n},East,,,{20 + n},,,\n" for n in range(20))
    add_decision(folder, Decision(UTC_US, mark, flight, ""))
    with open_archive(folder / ARCHIVE_NAME) as archive:
        archive.add_unit(Unit(SERIAL, "u01", "0.1.0", "MPU-6050"))
        for number, data in log.items():
            archive.add_segment_bytes(SERIAL, LOG, number, 0, data)
    return folder


def held(day: Path) -> tuple[object, ...]:
    """Return what a folder holds: records, bytes, readings, decisions in force and whether all of it is sound."""
    with open_archive(day / ARCHIVE_NAME) as archive:
        pieces = {piece.number: archive.segment_bytes(SERIAL, LOG, piece.number) for piece in archive.pieces()}
        kept = (tuple(archive.rows()), pieces, archive.conflicts(), audit(archive).damaged)
    return (*kept, read_sightings(day / "sightings.csv", read_site(day / "site.toml")), in_force(read_decisions(day)))


def merge_killed(laptops: tuple[Path, Path], scratch: Path, seconds: float, expected: tuple[object, ...]) -> bool:
    """Return whether the merge was still unfinished."""
    day, before = scratch / "merged", held(laptops[0])
    shutil.copytree(laptops[0], day)
    said = killed_after(seconds, lambda pipe: (merge_day(day, laptops[1]), os.write(pipe, b"done"))[0])
    after = held(day)
    kept = set(before[0]) <= set(after[0]) and after[4][: len(before[4])] == before[4] and not after[3]
    merge_day(day, laptops[1])
    if not kept or held(day) != expected:
        raise SystemExit(f"a merge killed after {seconds:.4f} s: kept {kept}, again as undisturbed {held(day) == expected}")
    shutil.rmtree(day)
    return said != b"done"


def import_killed(bundle: Path, scratch: Path, seconds: float, expected: tuple[object, ...]) -> bool:
    """Return whether the import was still unfinished."""
    day = scratch / "imported"
    said = killed_after(seconds, lambda pipe: (import_day(bundle, day), os.write(pipe, b"done"))[0])
    if not day.exists():
        import_day(bundle, day)
    if held(day) != expected:
        raise SystemExit(f"an import killed after {seconds:.4f} s left half a day")
    shutil.rmtree(day)
    if left := list(scratch.glob(".imported*")):
        raise SystemExit(f"an import killed after {seconds:.4f} s left {left}, and the next one did not remove it")
    return said != b"done"


def duration_s(work) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng, kit = random.Random(options.seed), scripted()
    log = log_of_a_day(kit)
    with tempfile.TemporaryDirectory() as scratch:
        archive = pulls(kit, log, Path(scratch), (options.points, rng))
        reductions(archive, Path(scratch), (options.points, rng))
        merges_and_imports(log, Path(scratch), (max(4, options.points // 4), rng))


def pulls(kit: type, log: dict[int, bytes], scratch: Path, when: tuple[int, random.Random]) -> Path:
    """Kill pulls, print what came of it, and return the archive of a whole one."""
    points, rng = when
    first = scratch / "first"
    first.mkdir()
    with open_archive(first / ARCHIVE_NAME) as archive:
        whole_s = duration_s(lambda: pull(kit.FakeUnit(dict(log)), archive))
    promised, early = [], 0
    for n in range(points):
        folder = scratch / f"pull{n}"
        folder.mkdir()
        promised.append(pull_killed(kit, folder, log, rng.uniform(0, 1.3 * whole_s))[0])
        early += promised[-1] < sum(map(len, log.values()))
        shutil.rmtree(folder)
    print(f"{points} pulls killed within {1.3 * whole_s:.3f} s, {early} before their end:")
    print(f"  {sum(promised)} bytes confirmed, 0 lost; 0 damaged archives; every new pull completed with all bytes equal")
    return first / ARCHIVE_NAME


def reductions(archive: Path, scratch: Path, when: tuple[int, random.Random]) -> None:
    points, rng = when
    day = scratch / "day"
    shutil.copytree(ROOT / "docs" / "example-day", day)
    shutil.copy(archive, day / ARCHIVE_NAME)
    whole_s = duration_s(lambda: write_report(reduced(day, Options()), day))
    expected = [None if r.position_m is None else float(r.position_m[2]) for r in reduced(day, Options()).flights]
    before = (day / ARCHIVE_NAME).read_bytes()
    early = sum(reduction_killed(day, rng.uniform(0, 1.3 * whole_s), expected, before) for _ in range(points))
    print(f"{points} reductions killed within {1.3 * whole_s:.3f} s, {early} before their end: verify found 0 damaged,")
    print("  every new reduction gave the same heights, the archive was the same to the byte")


def merges_and_imports(log: dict[int, bytes], scratch: Path, when: tuple[int, random.Random]) -> None:
    points, rng = when
    front = {1: log[1], 2: log[2][:9000]}
    laptops = (
        folder_of_a_laptop(scratch / "mine", front, "u01-9f3a-2", 100),
        folder_of_a_laptop(scratch / "theirs", dict(list(log.items())[1:]), "u01-9f3a-2", 200),
    )
    day, bundle = scratch / "undisturbed", scratch / "day.zip"
    shutil.copytree(laptops[0], day)
    whole_s = duration_s(lambda: merge_day(day, laptops[1]))
    early = sum(merge_killed(laptops, scratch, rng.uniform(0, 1.3 * whole_s), held(day)) for _ in range(points))
    print(f"{points} merges killed within {1.3 * whole_s:.3f} s, {early} before their end: 0 records, readings or decisions lost,")
    print("  every new merge gave what an undisturbed one gives")
    export_day(day, bundle)
    whole_s = duration_s(lambda: import_day(bundle, scratch / "elsewhere"))
    early = sum(import_killed(bundle, scratch, rng.uniform(0, 1.3 * whole_s), held(day)) for _ in range(points))
    print(f"{points} imports killed within {1.3 * whole_s:.3f} s, {early} before their end: each left the whole day or none")


if __name__ == "__main__":
    if sys.platform == "win32":
        raise SystemExit("processes are copied and killed here, which that system cannot do")
    main()
