"""The log on the flash and the settings: boots, torn tails, forgetting (MicroPython)."""

import json
import os
from binascii import crc32

import desk
from unit import records, settings
from unit.segment import records_of
from unit.store import Store

FOLDER = 0


def empty_folder():
    """A log folder that no other test has touched."""
    global FOLDER
    FOLDER += 1
    return "log%d" % FOLDER


def booted(folder):
    store = Store(folder)

    def describe():
        return records.boot({"log": store.log, "boot": store.boot, "flight": store.flight, "marked": store.marked})

    store.describe = describe
    store.restore()
    store.append(records.NOTE, records.note(0, 1, "started"))
    store.flush()
    return store


def whole(store, number):
    with open(store.path(number), "rb") as file:
        return file.read()


def kinds(store, number):
    return [kind for kind, _, _ in records_of(store.path(number))]


def sequences(store):
    return [sequence for number in store.numbers() for _, sequence, _ in records_of(store.path(number))]


def test_every_boot_begins_a_segment_and_counts_one_up():
    folder = empty_folder()
    logs = set()
    for boot in (1, 2, 3):
        store = booted(folder)
        assert store.boot == boot and store.numbers() == list(range(1, boot + 1))
        logs.add(store.log)
        store.close()
    assert len(logs) == 1 and len(logs.pop()) == 8
    assert sequences(store) == [0, 1, 2, 3, 4, 5]
    assert all(kinds(store, number)[0] == records.BOOT for number in store.numbers())


def test_another_log_has_another_name():
    assert booted(empty_folder()).log != booted(empty_folder()).log


def test_a_torn_tail_is_passed_over_and_never_appended_to():
    folder = empty_folder()
    store = booted(folder)
    store.append(records.NOTE, records.note(0, 1, "a" * 300))
    store.close()
    data = whole(store, 1)
    for cut in (1, 4, 5, 150, 305, 309, 320):
        with open(store.path(1), "wb") as file:
            file.write(data[: len(data) - cut])
        again = Store(folder)
        again.restore()
        assert again.sequence == 2 and again.boot == 2, cut
    again.describe = store.describe
    again.append(records.NOTE, b"x" * 9)
    assert again.number == 2 and len(whole(store, 1)) == len(data) - cut


def test_damage_in_the_middle_loses_one_record_only():
    folder = empty_folder()
    store = booted(folder)
    for text in ("one", "AXAX two", "three"):
        store.append(records.NOTE, records.note(0, 1, text))
    store.close()
    data = bytearray(whole(store, 1))
    data[data.find(b"two")] ^= 1
    with open(store.path(1), "wb") as file:
        file.write(data)
    assert [s for _, s, _ in records_of(store.path(1))] == [0, 1, 2, 4]


def test_every_byte_of_a_record_is_guarded():
    folder = empty_folder()
    store = booted(folder)
    store.close()
    data = whole(store, 1)
    for at in range(len(data)):
        with open(store.path(1), "wb") as file:
            file.write(data[:at] + bytes((data[at] ^ 0x10,)) + data[at + 1 :])
        assert len(list(records_of(store.path(1)))) == 1, at  # of two


def test_a_lost_boot_record_is_made_good_from_the_segment_before():
    folder = empty_folder()
    store = booted(folder)
    store.close()
    store = booted(folder)
    store.append(records.FLIGHT, records.flight(0, 1, 5, 3))
    store.close()
    with open(store.path(2), "rb+") as file:
        file.seek(12)
        file.write(b"\0")
    again = Store(folder)
    again.restore()
    assert again.log == store.log and again.flight == 5 and again.boot == 2 and again.sequence == store.sequence


def test_flight_number_and_mark_come_back():
    folder = empty_folder()
    store = booted(folder)
    store.append(records.FLIGHT, records.flight(0, 1, 42, 3))
    store.append(records.PRESS, b"\x02\x01\x2a\x00" + bytes(52))
    store.close()
    again = booted(folder)
    assert again.flight == 42 and not again.marked
    again.append(records.PRESS, b"\x01\x01\x29\x00" + bytes(52))  # a mark of flight 41
    again.close()
    again = booted(folder)
    assert not again.marked
    again.append(records.PRESS, b"\x01\x01\x2a\x00" + bytes(52))
    again.close()
    assert booted(folder).marked


def test_a_segment_that_would_grow_too_long_is_followed_by_the_next():
    folder = empty_folder()
    store = booted(folder)
    for _ in range(100):
        store.append(records.NOTE, bytes(2000))
    store.flush()
    assert len(store.numbers()) == 4
    for number in store.numbers():
        assert store.size(number) == len(whole(store, number)) <= 65536
        assert kinds(store, number)[0] == records.BOOT
    assert sequences(store) == list(range(len(sequences(store))))
    store.close()
    assert booted(folder).boot == 2


def test_a_press_and_its_window_stay_in_one_segment_where_they_can():
    store = booted(empty_folder())
    for _ in range(30):
        store.append(records.NOTE, bytes(2000))
    store.reserve(7000)
    assert store.number == 2


def test_only_what_was_flushed_is_offered():
    store = booted(empty_folder())
    before = store.size(1)
    store.append(records.NOTE, bytes(100))
    assert store.size(1) == before
    store.flush()
    assert store.size(1) == before + 114 == len(whole(store, 1))


def test_only_a_closed_segment_of_exactly_this_content_is_forgotten():
    folder = empty_folder()
    booted(folder).close()
    store = booted(folder)
    data = whole(store, 1)
    crc = crc32(data)
    assert "open" in desk.raises(ValueError, store.forget, 2, store.size(2), crc32(whole(store, 2)))
    assert "bytes" in desk.raises(ValueError, store.forget, 1, len(data) + 1, crc)
    assert "CRC" in desk.raises(ValueError, store.forget, 1, len(data), crc ^ 1)
    desk.raises(OSError, store.forget, 3, 0, 0)
    assert store.numbers() == [1, 2]
    store.forget(1, len(data), crc)
    assert store.numbers() == [2]
    store.close()
    again = booted(folder)
    assert again.numbers() == [2, 3] and again.boot == 3


def test_a_flash_that_refuses_is_told_and_the_next_record_begins_a_segment():
    class Full:
        def write(self, data):
            raise OSError(28)

        def close(self):
            pass

    store = booted(empty_folder())
    whole_file, store._file = store._file, Full()
    desk.raises(OSError, store.append, records.NOTE, bytes(10))
    whole_file.close()
    sequence = store.append(records.NOTE, bytes(10))
    store.flush()
    assert store.number == 2 and sequence == 3 and kinds(store, 2) == [records.BOOT, records.NOTE]


def test_settings_survive_and_bad_ones_are_told():
    assert settings.load() == (settings.defaults(), "")
    settings.save(settings.changed(settings.defaults(), "before_ms", 5000))
    assert settings.load()[0]["before_ms"] == 5000 and "config.new" not in os.listdir()
    for text, complaint in (
        ("{", "not JSON"),
        ("[]", "no object"),
        ('{"rate_hz": 99}', "rate_hz is 99, expected 100 or 200"),
        ('{"colour": 1}', "no setting is called colour"),
    ):
        with open("config.json", "w") as file:
            file.write(text)
        found, said = settings.load()
        assert found == settings.defaults() and complaint in said, said
    os.remove("config.json")


def test_every_setting_has_its_limits():
    good = (
        ("unit", "A-z_9"), ("rate_hz", 200), ("before_ms", 0), ("before_ms", 19000), ("after_ms", 17000), ("buzzer", False),
        ("calibration", None), ("calibration", {"id": "x", "tube_body": [1, 0, 0.1], "more": 1}), ("body_from_sensor", [[0, -1, 0], [1, 0, 0], [0, 0, 1]]),
    )
    bad = (
        ("unit", ""), ("unit", "x" * 17), ("unit", "a b"), ("unit", 3), ("rate_hz", 150), ("rate_hz", True), ("rate_hz", "100"),
        ("before_ms", -1), ("before_ms", 20001), ("before_ms", 19001), ("after_ms", 1.5), ("reference_before_ms", 19501), ("buzzer", 1),
        ("calibration", 1), ("calibration", {"accel_matrix": [1, 2, 3]}), ("calibration", {"tube_body": [1, 0]}), ("none", 1),
        ("body_from_sensor", [[0, 1, 0], [1, 0, 0], [0, 0, 1]]), ("body_from_sensor", [[1, 0, 0], [1, 0, 0], [0, 0, 1]]),
        ("body_from_sensor", [[2, 0, 0], [0, 1, 0], [0, 0, 1]]), ("body_from_sensor", 1),
    )  # fmt: skip
    for key, value in good:
        assert settings.changed(settings.defaults(), key, value)[key] == value
    for key, value in bad:
        desk.raises(ValueError, settings.changed, settings.defaults(), key, value)


desk.run(globals())
