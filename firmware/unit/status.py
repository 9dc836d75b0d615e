"""What the unit says about itself: the JSON of `hello` and `status`, the boot record and the health record."""

import json
from binascii import hexlify
from machine import ADC, unique_id
from math import asin, atan2

import pins
from unit import PROTOCOL_LEVEL, VERSION, records
from unit.as5600 import UNKNOWN

_MILLIDEGREES = 57295.78
_LONGEST_TEXT = 512  # bytes that one frame carries
_LONGEST_ERROR = 100  # characters of an error's end, which names it


def compact(value):
    return json.dumps(value, separators=(",", ":")).encode()


def serial():
    return hexlify(unique_id()).decode()


def imu_name(app):
    return app.imu.name if app.imu else "none"


def hello(app):
    store = app.store
    return {
        "level": PROTOCOL_LEVEL,
        "unit": app.active["unit"],
        "serial": serial(),
        "firmware": VERSION,
        "imu": imu_name(app),
        "boot": store.boot,
        "log": store.log,
        "t_us": app.clock.now_us(),
    }


def boot_record(app):
    """The payload of a boot record; of long complaints only the beginning, a reader takes no payload beyond 4096 bytes."""
    said = hello(app)
    del said["t_us"]
    active = app.active
    said.update(
        {
            "rate_hz": active["rate_hz"],
            "accel_lsb_per_g": app.imu.accel_lsb_per_g if app.imu else 16384,
            "gyro_lsb_per_dps": app.imu.gyro_lsb_per_dps if app.imu else 65.5,
            "body_from_sensor": active["body_from_sensor"],
            "before_ms": active["before_ms"],
            "after_ms": active["after_ms"],
            "flight": app.store.flight,
            "marked": app.store.marked,
            "calibration": active["calibration"],
            "selftest": [[name, state, text[:_LONGEST_ERROR]] for name, state, text in app.selftest],
        }
    )
    return records.boot(said)


def temperature_cdeg(app):
    """Hundredths of a degree Celsius of the sensor, or the number that stands for unknown."""
    if app.imu is None or app.sampler.count == 0:
        return records.UNKNOWN_TEMPERATURE
    raw = app.sampler.temperature_raw
    return app.imu.temperature_cdeg(raw - 65536 if raw >= 32768 else raw)


def supply_mv():
    """Millivolts of the board's supply, 0 where the board cannot measure it."""
    try:
        return ADC(pins.SUPPLY_ADC).read_u16() * 9900 // 65535  # a third of it reaches a 3.3 V converter
    except (AttributeError, OSError, TypeError, ValueError):
        return 0


def free_bytes(app):
    try:
        return app.store.free_bytes()
    except OSError:
        return 0


def health_record(app):
    still = app.tracker.attitude.still if app.tracker else None
    offset = still.offset_rad_s if still else (0.0, 0.0, 0.0)
    resting = bool(still and still.since_us >= 0)
    now = app.clock.now_us()
    return records.health(now, temperature_cdeg(app), supply_mv(), offset, resting, app.sampler.lost, free_bytes(app))


def config(app):
    """The settings; a calibration too long for a frame is represented by its id (the boot record has it whole)."""
    if len(compact(app.wanted)) <= _LONGEST_TEXT:
        return app.wanted
    brief = dict(app.wanted)
    brief["calibration"] = {"id": app.wanted["calibration"].get("id", "")}
    return brief


def status(app):
    """What the unit sees now. Texts are cut until one frame carries it: first those of what is well, then all."""
    said = _status(app)
    for longest_ok, longest in ((40, _LONGEST_ERROR), (0, 60), (0, 25), (0, 10)):
        said["selftest"] = [[name, state, text[: longest_ok if state == "ok" else longest]] for name, state, text in app.selftest]
        said["last_error"] = app.last_error[-longest:]
        if len(compact(said)) <= _LONGEST_TEXT:
            break
    return said


def _status(app):
    now = app.clock.now_us()
    elevation, heading = _pointing(app.tracker)
    still = app.tracker.attitude.still
    temperature = temperature_cdeg(app)
    sampler = app.sampler
    return {
        "t_us": now,
        "flight": app.store.flight,
        "presses": app.presses.count,
        "elevation_mdeg": elevation,
        "heading_mdeg": heading,
        "axis_mdeg": _axis_mdeg(sampler.newest_angle()),
        "still": still.since_us >= 0,
        "still_ms": (now - still.since_us) // 1000 if still.since_us >= 0 else 0,
        "temperature_cdeg": None if temperature == records.UNKNOWN_TEMPERATURE else temperature,
        "supply_mv": supply_mv() or None,
        "gyro_offset_mdps": [round(x * _MILLIDEGREES) for x in still.offset_rad_s] if still.renewed_us >= 0 else None,
        "samples": sampler.count,
        "lost": sampler.lost,
        "worst_gap_us": sampler.worst_gap_us,
        "free_bytes": free_bytes(app),
        "flights_left": flights_left(app),
        "unsaved": app.presses.unsaved,
    }


def _axis_mdeg(angle):
    return None if angle == UNKNOWN else angle * 360000 // 4096


def flights_left(app):
    """How many flights the flash has a place for, with all their windows."""
    try:
        return max(0, app.store.room()) // _bytes_per_flight(app.active)
    except OSError:
        return 0


def _bytes_per_flight(active):
    """A mark and two backsights, each with its window, and some notes."""
    milliseconds = active["before_ms"] + active["after_ms"] + 2 * (active["reference_before_ms"] + active["reference_after_ms"])
    return milliseconds * active["rate_hz"] // 1000 * 17 + 1024


def _pointing(tracker):
    """Elevation and heading of the tube in thousandths of a degree (docs/conventions.md); None twice before the first sample."""
    seen = tracker.line_of_sight()
    if seen is None:
        return None, None
    (x, y, z), over = seen
    elevation = asin(max(-1.0, min(1.0, z))) * _MILLIDEGREES
    heading = atan2(x, y) * _MILLIDEGREES
    if over:
        elevation, heading = 180000 - elevation, heading + 180000
    return round(elevation), round(heading) % 360000
