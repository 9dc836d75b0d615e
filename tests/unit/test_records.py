import json
import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.records import Axis, Boot, Damage, FlightNumber, Health, Note, Press, Scanner, Unknown, Window, scan


@pytest.fixture(scope="module")
def log(kit):
    return [
        kit.boot_record(1),
        kit.press_record(2),
        kit.window_record(3, press=2),
        kit.window_record(4, press=2, first=2),
        kit.record(4, 5, struct.pack("<qB", 99, 3) + b"Traceback\n\x1b[31mAX"),
        kit.record(5, 6, struct.pack("<qHHB", 100, 7, 8, 1)),
        kit.record(6, 7, struct.pack("<qhHfffBII", 101, 2050, 0, 0.5, 0.25, 0.0, 1, 2, 4096)),
        kit.record(77, 8, b"from a later level"),
    ]


def test_every_record_is_read_as_its_table_says(log):
    boot, press, window, second, note, flight, health, unknown = scan(b"".join(log))
    assert isinstance(boot, Boot)
    assert (boot.boot, boot.log, boot.unit, boot.serial, boot.value["rate_hz"]) == (3, "9f3a01c2", "u01", "e661", 100)
    assert press == Press(2, log[1], 1, 1, 7, 5_000_000, 3, (1.0, 0.0, 0.0, 0.0), (0.25, -0.5, 0.125), None, 21.5, 4)
    assert isinstance(window, Window)
    assert (window.press, window.first, window.total, window.temperature_celsius) == (2, 0, 4, None)
    assert window.t_us.tolist() == [-20_000, -10_000]
    assert window.accel_counts.tolist() == [[1, 2, 16384]] * 2
    assert window.gyro_counts.tolist() == [[-4, 5, 6]] * 2
    assert second.t_us.tolist() == [0, 10_000]
    assert note == Note(5, log[4], 99, 3, "Traceback\n\ufffd[31mAX")
    assert flight == FlightNumber(6, log[5], 100, 7, 8, 1)
    assert health == Health(7, log[6], 101, 20.5, None, (0.5, 0.25, 0.0), True, 2, 4096)
    assert unknown == Unknown(8, log[7], 77, 1)


def test_golden_records_are_read_as_their_fields_say(root):
    """The same bytes that the firmware is held to, packed by hand from docs/protocol.md."""
    found = {}
    for entry in json.loads((root / "tests" / "data" / "golden_records.json").read_text(encoding="utf-8"))["records"]:
        (record,) = scan(bytes.fromhex(entry["hex"]))
        found[entry["name"]] = record, entry["fields"]
    press, said = found["mark by button"]
    assert (press.kind, press.source, press.flight, press.t_us, press.boot, press.run) == (1, 1, 7, 123456789012, 3, 2)
    assert list(press.level_from_body) == said["attitude"]
    assert list(press.gyro_offset_rad_s) == said["gyro_offset_rad_s"]
    assert (press.still_us, press.temperature_celsius) == (123400000000, 21.5)
    nothing, _ = found["reference by command, nothing known"]
    assert (nothing.kind, nothing.boot, nothing.still_us, nothing.temperature_celsius) == (2, 2**32 - 1, None, None)
    window, said = found["window"]
    seen = zip(window.t_us, window.accel_counts, window.gyro_counts, strict=True)
    assert [[int(t), *map(int, a), *map(int, g)] for t, a, g in seen] == said["samples"]
    assert found["empty window"][0].t_us.size == 0
    assert found["note"][0].text == found["note"][1]["text"]
    assert (found["flight"][0].before, found["flight"][0].after, found["flight"][0].cause) == (7, 8, 1)
    health, said = found["health"]
    assert (health.temperature_celsius, health.supply_mv, health.lost, health.free_bytes) == (-12.34, 4980, 17, 2**32 - 1)
    assert found["axis"][0] == Axis(8, found["axis"][0].raw, 1, 0xABC)
    assert len(found) == 9


def test_an_angle_beyond_a_turn_is_kept_whole_and_not_used(kit):
    # docs/protocol.md, type 7: press u32, angle u16 in 4096ths of a turn
    last, beyond = (kit.record(7, 3, struct.pack("<IH", 2, angle)) for angle in (4095, 4096))
    assert scan(last + beyond) == (Axis(3, last, 2, 4095), Unknown(3, beyond, 7, 1))


def test_a_press_is_56_bytes(kit):
    assert len(kit.press_record(1)) == 10 + 56 + 4


@given(cuts=st.lists(st.integers(0, 900)))
def test_any_chunking_gives_the_same_records(log, cuts):
    segment = b"noise" + b"".join(log) + b"AX torn"
    scanner, places = Scanner(), [0, *sorted(min(cut, len(segment)) for cut in cuts), len(segment)]
    pieces = [item for a, b in pairwise(places) for item in scanner.feed(segment[a:b])]
    assert [_named(item) for item in [*pieces, *scanner.finish()]] == [_named(item) for item in scan(segment)]


@pytest.mark.parametrize("torn", range(1, 70))
def test_a_torn_record_is_skipped(log, torn):
    whole = log[0] + log[2]
    items = scan(whole + log[1][:torn])
    assert [item.sequence for item in items[:2]] == [1, 3]
    assert items[2:] == (Damage(len(whole), torn),)


def test_a_record_behind_a_false_begin_with_a_large_length_is_found(log):
    false = struct.pack("<2sBBHI", b"AX", 2, 1, 65535, 9)
    assert scan(false + log[1]) == (Damage(0, len(false)), scan(log[1])[0])


@given(data=st.data())
def test_damage_costs_only_the_records_that_it_touches(log, data):
    segment, at = bytearray(b"".join(log)), data.draw(st.integers(0, sum(map(len, log)) - 1))
    segment[at] ^= data.draw(st.integers(1, 255))
    items = scan(bytes(segment))
    starts = [sum(map(len, log[:n])) for n in range(len(log))]
    hit = max(n for n, start in enumerate(starts) if start <= at)
    assert [item.raw for item in items if not isinstance(item, Damage)] == [raw for n, raw in enumerate(log) if n != hit]
    assert [item for item in items if isinstance(item, Damage)] == [Damage(starts[hit], len(log[hit]))]


@given(segment=st.binary(max_size=400))
def test_any_bytes_are_records_or_damage_and_nothing_is_left_over(segment):
    items = scan(segment)
    assert sum(item.length if isinstance(item, Damage) else len(item.raw) for item in items) == len(segment)


@given(kind=st.integers(0, 9), version=st.integers(0, 2), payload=st.binary(max_size=80))
def test_a_sound_record_of_any_shape_is_kept_whole(kit, kind, version, payload):
    raw = kit.record(kind, 1, payload, version)
    (item,) = scan(raw)
    assert item.raw == raw


@pytest.mark.parametrize("text", [b"[" * 5000, b"3", b"{}", b'{"boot":"x"}', b"\xff"])
def test_a_boot_record_of_the_wrong_shape_is_unknown(kit, text):
    assert isinstance(scan(kit.record(1, 1, text))[0], Unknown)


def test_a_window_that_claims_more_samples_than_it_has_is_unknown(kit):
    payload = struct.pack("<IHHBBh", 2, 0, 4, 4, 0, 0) + bytes(16)
    assert isinstance(scan(kit.record(3, 1, payload))[0], Unknown)


def _named(item):
    return item if isinstance(item, Damage) else item.raw
