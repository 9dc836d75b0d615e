"""config.json: read with defaults, checked, written so that a power cut leaves the old or the new one."""

import json
import os

FILE = "config.json"
_NEW = "config.new"
_NAME = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-"
AT_ONCE = ("unit", "before_ms", "after_ms")
LONGEST_MS = 20000
LONGEST_CALIBRATION = 2200  # every boot record carries it, and has 4096 bytes at most


def defaults():
    return {
        "unit": "unit",
        "rate_hz": 100,
        "before_ms": 3000,
        "after_ms": 1000,
        "reference_before_ms": 500,
        "reference_after_ms": 500,
        "buzzer": True,
        "calibration": None,
        "body_from_sensor": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    }


def load():
    """(settings, complaint): a file that does not serve is left alone, and the complaint says why."""
    settings = defaults()
    try:
        with open(FILE) as file:
            given = json.load(file)
    except OSError:
        return settings, ""
    except ValueError:
        return settings, "%s is not JSON; the defaults are used" % FILE
    if not isinstance(given, dict):
        return settings, "%s holds no object; the defaults are used" % FILE
    complaints = []
    for key, value in given.items():
        try:
            settings = changed(settings, key, value)
        except ValueError as complaint:
            complaints.append(str(complaint))
    return settings, "; ".join(complaints)


def save(settings):
    """Write the whole file. OSError where the flash is full."""
    with open(_NEW, "w") as file:
        json.dump(settings, file)
    os.rename(_NEW, FILE)


def changed(settings, key, value):
    """A copy with one setting changed; ValueError says what was expected."""
    if key not in settings:
        raise ValueError("no setting is called %s; there are %s" % (key, ", ".join(sorted(settings))))
    _check(key, value)
    copy = dict(settings)
    copy[key] = value
    for before, after in (("before_ms", "after_ms"), ("reference_before_ms", "reference_after_ms")):
        if copy[before] + copy[after] > LONGEST_MS:
            raise ValueError("%s and %s together may be %d at most" % (before, after, LONGEST_MS))
    return copy


def _check(key, value):
    if key == "unit":
        good = isinstance(value, str) and 1 <= len(value) <= 16 and all(letter in _NAME for letter in value)
        expected = "1 to 16 characters of A-Z a-z 0-9 _ -"
    elif key == "rate_hz":
        good, expected = _whole(value) and value in (100, 200), "100 or 200"
    elif key == "buzzer":
        good, expected = isinstance(value, bool), "true or false"
    elif key == "calibration":
        good = value is None or (_is_calibration(value) and len(json.dumps(value)) <= LONGEST_CALIBRATION)
        expected = "null or an object with three numbers a row and at most %d bytes" % LONGEST_CALIBRATION
    elif key == "body_from_sensor":
        good, expected = _is_turn(value), "three rows of three, a permutation with signs that keeps right-handed"
    else:
        good, expected = _whole(value) and 0 <= value <= LONGEST_MS, "a whole number from 0 to %d" % LONGEST_MS
    if not good:
        raise ValueError("%s is %s, expected %s" % (key, json.dumps(value)[:80], expected))


def _whole(value):
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_vector(value):
    return isinstance(value, list) and len(value) == 3 and all(_is_number(x) for x in value)


def _is_matrix(value):
    return isinstance(value, list) and len(value) == 3 and all(_is_vector(row) for row in value)


def _is_calibration(value):
    if not isinstance(value, dict):
        return False
    vectors = all(_is_vector(value[key]) for key in ("accel_offset_g", "tube_body") if key in value)
    return vectors and all(_is_matrix(value[key]) for key in ("accel_matrix", "gyro_matrix") if key in value)


def _is_turn(value):
    if not _is_matrix(value) or any(sorted(abs(x) for x in row) != [0, 0, 1] for row in value):
        return False
    (a, b, c), (d, e, f), (g, h, i) = value
    return a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g) == 1
