from contextlib import ExitStack
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from apexfix.archive import ARCHIVE_NAME, Pull, Unit, open_archive
from apexfix.cli import main
from apexfix.merge import merge
from apexfix.verify import audit
from apexfix.wire import Exchange

LOG = "9f3a01c2"
EXCHANGE = Exchange("e661", LOG, 3, 1_800_000_000_000_000, 5, 7, 1_800_000_000_000_900, 11)


@pytest.fixture
def two(tmp_path, kit):
    """The archives of two laptops: both pulled one unit, the second later and a second unit besides."""
    first, more = kit.boot_record(1) + kit.press_record(2), kit.press_record(3)
    with ExitStack() as stack:
        one, other = (stack.enter_context(open_archive(tmp_path / name / ARCHIVE_NAME)) for name in _folders(tmp_path))
        one.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        one.add_segment_bytes("e661", LOG, 1, 0, first)
        one.add_exchange(EXCHANGE)
        for serial in ("e661", "ffff"):
            other.add_unit(Unit(serial, "u01", "0.1.0", "MPU-6050"))
            other.add_segment_bytes(serial, LOG, 1, 0, first + more)
        other.add_exchange(EXCHANGE)
        other.add_exchange(replace(EXCHANGE, t2_us=9))
        other.add_pull(Pull("e661", LOG, "COM3", 1, 7))
        yield one, other


def _folders(tmp_path):
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        yield name


def holding(archive):
    segments = {(p.serial, p.log, p.number): archive.segment_bytes(p.serial, p.log, p.number) for p in archive.pieces()}
    return archive.units(), segments, tuple(archive.rows()), tuple(archive.exchanges()), archive.pulls(), archive.conflicts()


def test_what_either_laptop_pulled_is_in_the_merged_archive_once(two, kit):
    one, other = two
    merged = merge(one, other)
    fresh = len(kit.press_record(3)) * 2 + len(kit.boot_record(1) + kit.press_record(2))
    assert (merged.units, merged.fresh_bytes, merged.exchanges, merged.conflicts) == (1, fresh, 1, ())
    assert holding(one) == holding(other)
    assert audit(one).damaged == ()


def test_merging_again_changes_nothing(two):
    one, other = two
    merge(one, other)
    before = holding(one)
    again = merge(one, other)
    assert (again.units, again.fresh_bytes, again.exchanges, again.conflicts) == (0, 0, 0, ())
    assert holding(one) == before


def test_either_order_holds_the_same_bytes(two):
    one, other = two
    assert merge(other, one).fresh_bytes == 0
    merge(one, other)
    assert holding(one) == holding(other)


def test_bytes_that_contradict_each_other_are_kept_and_told_once(two, kit):
    one, other = two
    one.add_segment_bytes("e661", LOG, 2, 0, kit.press_record(9, t_us=1))
    other.add_segment_bytes("e661", LOG, 2, 0, kit.press_record(9, t_us=2))
    (conflict,) = merge(one, other).conflicts
    assert conflict.raw == kit.press_record(9, t_us=2)
    assert merge(one, other).conflicts == ()
    assert [press.record.t_us for press in one.presses() if press.record.sequence == 9] == [1]
    assert audit(one).damaged == ()


def test_the_command_reads_a_folder_and_says_what_came(two, tmp_path):
    (tmp_path / "other" / "sightings.csv").write_text("flight,station,elevation_deg\n")
    done = CliRunner().invoke(main, ["merge", str(tmp_path / "one"), str(tmp_path / "other")])
    assert done.exit_code == 0, done.output
    assert "1 new units" in done.output
    assert "0 new hand readings, 0 new decisions" in done.output
    assert CliRunner().invoke(main, ["merge", str(tmp_path / "one"), str(tmp_path / "nowhere")]).exit_code == 4
    assert not (tmp_path / "nowhere").exists()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_however_two_laptops_shared_the_pulling_the_merged_archive_is_the_same(kit, data):
    """Each laptop came as far as it came with each segment, in pieces of any size; merged, each holds what either had."""
    torn = b"AX torn"[: data.draw(st.integers(0, 7))]
    log = {n: kit.boot_record(10 * n, boot=n) + kit.press_record(10 * n + 1) + torn for n in (1, 2)}
    with TemporaryDirectory() as folder, ExitStack() as stack:
        laptops = [stack.enter_context(open_archive(Path(folder) / f"{n}.sqlite")) for n in range(2)]
        farthest = dict.fromkeys(log, 0)
        for laptop in laptops:
            laptop.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
            for number, whole in log.items():
                ends = sorted(data.draw(st.sets(st.integers(1, len(whole)), max_size=4)))
                for begin, end in pairwise([0, *ends]):
                    laptop.add_segment_bytes("e661", LOG, number, begin, whole[begin:end])
                farthest[number] = max([farthest[number], *ends])
        merge(*laptops)
        merge(*reversed(laptops))
        for laptop in laptops:
            held = {number: laptop.segment_bytes("e661", LOG, number) for number in log}
            assert held == {number: whole[: farthest[number]] for number, whole in log.items()}
            assert laptop.conflicts() == ()
            assert audit(laptop).damaged == ()
        assert tuple(laptops[0].rows()) == tuple(laptops[1].rows())
