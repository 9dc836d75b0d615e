"""What the figures of a first power-up mean; the walk through them is in tests/endtoend."""

import csv
from dataclasses import dataclass

import numpy as np
import pytest

from apexfix.install import findings
from apexfix.install.check import Helper, check
from apexfix.install.rest import at_rest
from apexfix.install.wires import COLOURS, imu_wires, pin_numbers, wire
from apexfix.records import MARK, REFERENCE, Boot, Window
from apexfix.session import Identity
from apexfix.wire import Exchange

PINS = {"IMU_SDA": 4, "IMU_SCL": 5, "MARK_BUTTON": 14, "REFERENCE_BUTTON": 15, "BUZZER": 16}
LEVEL = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]


# --- wires


def test_every_wire_that_is_named_is_in_the_wiring_table_with_its_pin_and_colour(root):
    pins = pin_numbers(root / "firmware")
    with open(root / "hardware" / "wiring.csv", newline="", encoding="utf-8") as table:
        rows = list(csv.DictReader(table))
    for name, (colour, end) in COLOURS.items():
        wired = [row for row in rows if row["pins_name"] == name and row["part"] != "encoder"]
        assert [(row["board_pin"], row["colour"]) for row in wired] == [(f"GP{pins[name]}", colour)]
        assert wired[0]["part"].replace(" button", "").lower() in end.lower()
        assert wire(name, pins) == f"{colour}, GP{pins[name]} to {end}"
    power = {(row["terminal"], row["board_pin"], row["colour"]) for row in rows if row["part"] == "IMU"}
    assert {("VCC", "3V3", "red"), ("GND", "GND", "black")} <= power


def test_every_signal_of_the_pin_list_has_a_colour(root):
    pins = pin_numbers(root / "firmware")
    assert pins.keys() - COLOURS.keys() == {"IMU_BUS", "IMU_HZ", "SUPPLY_ADC"}  # no wires


# --- at rest


def recorded(accel_g=(0.0, 0.0, 1.0), gyro_dps=(0.5, -0.3, 0.1), count=100, total=100, noise=5.0, celsius=21.0, **boot):
    rng = np.random.default_rng(3)

    def counts(value, scale):
        return np.rint(np.array(value) * scale + rng.normal(0.0, noise, (count, 3))).astype(np.int16)

    window = Window(2, b"", 1, 0, total, celsius, np.zeros(count, np.int32), counts(accel_g, 16384.0), counts(gyro_dps, 65.5))
    value = {"rate_hz": 100, "accel_lsb_per_g": 16384, "gyro_lsb_per_dps": 65.5, "body_from_sensor": LEVEL} | boot
    return celsius, (window,), Boot(0, b"", 1, "log", "u01", "00", value)


@dataclass
class AtRest:
    temperature_celsius: float | None


def judged(celsius, windows, boot):
    return {finding.what: finding for finding in at_rest(AtRest(celsius), windows, boot, imu_wires(PINS))}


def test_a_sensor_at_rest_is_well():
    found = judged(*recorded())
    assert {finding.state for finding in found.values()} == {"ok"}
    assert found["gravity"].saw == "1.000 g"
    assert found["gyroscope"].saw.startswith("0.5")


@pytest.mark.parametrize(
    ("what", "changed", "words"),
    [
        ("gravity", {"accel_g": (0.0, 0.1, 1.2)}, "1.204 g"),
        ("gravity", {"accel_g": (0.0, 0.0, 0.5)}, "0.500 g"),
        ("gyroscope", {"gyro_dps": (0.0, 25.0, 0.0)}, "25.0 degrees/s at rest"),
        ("gyroscope", {"noise": 200.0}, "it was moved"),
        ("temperature", {"celsius": 85.0}, "85.0 °C"),
        ("temperature", {"celsius": None}, "unknown"),
        ("way up", {"accel_g": (0.0, -1.0, 0.0)}, "up is along -y of the unit"),
        ("way up", {"accel_g": (1.0, 0.0, 0.0)}, "up is along +x of the unit"),
        ("samples", {"noise": 0.0}, "accelerometer x, accelerometer y"),
        ("samples", {"count": 60}, "60 of 100 samples came"),
        ("samples", {"count": 0, "total": 0}, "0 of 0 samples came"),
    ],
)
def test_what_is_wrong_at_rest_is_told_and_only_that(what, changed, words):
    found = judged(*recorded(**changed))
    assert [name for name, finding in found.items() if finding.state == "bad"] == [what]
    assert words in found[what].saw
    assert found[what].do


def test_a_loose_wire_names_the_wires():
    assert "blue, GP4 to SDA" in judged(*recorded(count=60))["samples"].do


def test_a_sensor_that_lies_on_its_side_is_level_once_the_unit_knows():
    # mounted with its y axis up: what it feels along y is up in the body
    turned = [[1, 0, 0], [0, 0, -1], [0, 1, 0]]
    assert judged(*recorded(accel_g=(0.0, 1.0, 0.0), body_from_sensor=turned))["way up"].state == "ok"


# --- buttons, clock, flash, supply


def test_exchanged_buttons_name_both_wires():
    found = findings.button(MARK, [REFERENCE], 30.0, PINS)
    assert found.saw == "the unit saw REFERENCE"
    assert "green, GP14" in found.do
    assert "purple, GP15" in found.do


def test_a_bouncing_button_is_told_by_the_number_of_its_presses():
    assert findings.button(REFERENCE, [REFERENCE, REFERENCE, MARK], 30.0, PINS).saw == "3 presses, saved and read back"


def exchange(at_host_us, at_unit_us, delay_us=1000):
    half = delay_us // 2
    return Exchange("s", "l", 1, at_host_us - half, at_unit_us, at_unit_us, at_host_us + half, at_host_us - half)


@pytest.mark.parametrize(("rate_ppm", "state"), [(0, "ok"), (140, "ok"), (-140, "ok"), (400, "bad"), (-400, "bad")])
def test_a_clock_may_be_as_wrong_as_a_crystal(rate_ppm, state):
    first, last = exchange(0, 700), exchange(10_000_000, 700 + 10_000_000 + 10 * rate_ppm, delay_us=600)
    found = findings.clock(first, last)
    assert found.state == state
    assert found.saw.startswith(f"{rate_ppm:+d} ppm against this computer, to 80 ppm, over 10 s")


def test_a_slow_line_makes_the_clock_uncertain_and_not_wrong():
    assert findings.clock(exchange(0, 0), exchange(5_000_000, 5_002_000, delay_us=40_000)).state == "ok"


@pytest.mark.parametrize(
    ("status", "said", "state", "words"),
    [
        ({"free_bytes": 800_000, "flights_left": 40}, ("ok", "x"), "ok", "room for 40 flights"),
        ({"free_bytes": 30_000, "flights_left": 2}, ("ok", "x"), "bad", "room for 2 flights"),
        ({"free_bytes": 800_000, "flights_left": 40}, ("bad", "flash: [Errno 5] EIO"), "bad", "EIO"),
        ({}, ("ok", "x"), "bad", "None"),
    ],
)
def test_the_flash_is_judged_by_the_room_for_flights(status, said, state, words):
    found = findings.flash(status, {"log": said})
    assert found.state == state
    assert words in found.saw


@pytest.mark.parametrize(("supply_mv", "state"), [(4700, "ok"), (5100, "ok"), (3300, "bad"), (6000, "bad"), (None, "skipped")])
def test_the_supply_is_that_of_a_usb_lead(supply_mv, state):
    assert findings.supply({"supply_mv": supply_mv}).state == state


def test_a_unit_that_says_nothing_about_itself_is_not_well():
    assert [finding.state for finding in findings.of_itself({})] == ["bad", "bad"]


def test_the_longer_text_of_the_boot_record_counts_as_long_as_nothing_has_changed():
    now = {"imu": ("bad", "the bus sh"), "log": ("ok", "800"), "buttons": ("ok", "")}
    at_boot = {"imu": ("bad", "the bus shows nothing"), "log": ("bad", "flash: EIO")}
    assert findings.in_full(now, at_boot) == {"imu": at_boot["imu"], "log": now["log"], "buttons": now["buttons"]}


def test_a_recording_that_is_never_saved_is_told(kit):
    """A unit whose flash refuses every press: the walk goes on to its end."""

    class Refusing:
        def hello(self):
            return Identity("u01", "s", "l", 1, "0.1.0", "MPU-6050")

        def status(self):
            return {"flight": 3, "presses": 0, "unsaved": 1, "free_bytes": 0, "flights_left": 0}

        def config(self):
            return {"buzzer": True}

        def segments(self):
            return ()

        def exchange(self):
            return exchange(5_000_000, 5_000_000)

        def press(self, kind):
            pass

        def locate(self):
            pass

        def flight(self, number):
            self.number = number

    unit, waited = Refusing(), []
    unit.exchange = iter([*[exchange(0, 0)] * 5, *[exchange(5_000_000, 5_000_000)] * 5]).__next__
    found = {f.what: f for f in check(unit, Helper(lambda text: None, lambda question: True, waited.append, 5.0), PINS)}
    assert found["rest"].saw == "the recording at rest was not saved"
    assert found["button MARK"].state == "bad"
    assert found["flash"].state == "bad"
    assert unit.number == 3
    assert sum(waited) < 60
