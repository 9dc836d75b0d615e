"""The unit: everything wired together, and the loop that never waits."""

import io
import os
import sys
from machine import I2C, Pin, idle
from micropython import const
from time import ticks_us

import pins
from unit import as5600, buttons, commands, feedback, imu, records, selftest, settings, status
from unit.clock import Clock
from unit.console import Console
from unit.presses import Press, Presses
from unit.sampler import Sampler
from unit.scale import Scale
from unit.store import Store
from unit.tracker import Tracker
from unit.upload import Upload
from unit.wire import Sentences

_BYTES_A_TURN = const(64)
_SAMPLES_A_TURN = const(32)
_SLACK_MS = const(2000)  # the window of a press must outlive the writing of the one before
_HEALTH_US = const(60000000)
_LATEST_HEALTH_US = const(300000000)
_RETRY_US = const(5000000)
_SAME_ERROR_US = const(60000000)
_MOST_NOTES = const(8)
_FEW_FLIGHTS = const(5)


class NoImu:
    """Stands in for the scale of a missing sensor."""

    accel_lsb_per_g = 16384.0
    gyro_lsb_per_dps = 65.5


class App:
    def __init__(self):
        self.clock = Clock()
        self.wanted, complaint = settings.load()
        self.active = dict(self.wanted)  # in force now; the rest of what is wanted comes with the next boot
        rate_hz = self.active["rate_hz"]
        self.store = Store()
        self.sampler = Sampler(rate_hz, (settings.LONGEST_MS + _SLACK_MS) * rate_hz // 1000)
        self.feedback = feedback.Feedback(pins.LED, pins.BUZZER, self.active["buzzer"])
        self.mark = buttons.Button(pins.MARK_BUTTON)
        self.reference = buttons.Button(pins.REFERENCE_BUTTON)
        self.console = Console()
        self.upload = Upload()
        self.imu = None
        self.encoder = None
        self.last_error = ""
        self.selftest = [
            selftest.entry("settings", complaint, "read"),
            selftest.entry("arithmetic", selftest.arithmetic(), "known answer met"),
            selftest.entry("buttons", selftest.buttons(self.mark, self.reference), "both up"),
        ]
        self._sentences = Sentences()
        self._changes = []  # flight records that wait for the flash
        self._notes = []
        self._error_us = -_SAME_ERROR_US
        self._health_us = 0
        self._retry_us = 0
        self.i2c = None
        self.tracker = self._new_tracker()
        self.presses = Presses(self.store, self.sampler, self.tracker, self.clock)
        self._start_imu()
        self._open_log()

    # --- start-up

    def _new_tracker(self):
        scale = Scale(self.imu or NoImu(), self.active["body_from_sensor"], self.active["calibration"])
        return Tracker(self.sampler, scale, self.clock, self.active["rate_hz"])

    def _start_imu(self):
        complaint = ""
        try:
            self.i2c = I2C(pins.IMU_BUS, sda=Pin(pins.IMU_SDA), scl=Pin(pins.IMU_SCL), freq=pins.IMU_HZ)
            self.imu = imu.find(self.i2c, self.active["rate_hz"])
            self.tracker.scale_changed(Scale(self.imu, self.active["body_from_sensor"], self.active["calibration"]))
            self.encoder = as5600.find(self.i2c)
            self.sampler.start(self.imu, self.encoder)
        except OSError as error:
            self.imu = None
            complaint = str(error)
        self.selftest = [line for line in self.selftest if line[0] not in ("imu", "encoder")]
        self.selftest.append(selftest.entry("imu", complaint, status.imu_name(self)))
        if self.encoder:
            self.selftest.append(selftest.entry("encoder", selftest.encoder(self.encoder), self.encoder.name))

    def _open_log(self):
        self.store.describe = self._boot_record
        try:
            self.store.restore()
            self.selftest.append(selftest.entry("log", "", "%d kB free" % (self.store.free_bytes() // 1024)))
            self._write(records.NOTE, records.note(self.clock.now_us(), records.INFORMATION, "started"))
        except OSError as error:
            self.store.boot += os.urandom(1)[0]  # this boot may stay without a record: the next one must not have its number
            self.selftest.append(selftest.entry("log", "flash: %s" % error, ""))
            self.last_error = "flash: %s" % error

    def _boot_record(self):
        return status.boot_record(self)

    # --- the loop

    def run(self):
        """Work until the console's interrupt character. Whatever goes wrong is noted, and the loop goes on."""
        self._play_with_warning(feedback.READY if self.imu and self.store.begun else feedback.TROUBLE)
        failure = None
        try:
            while True:
                try:
                    if failure:
                        reported, failure = failure, None
                        self._report(reported)
                    if not self.turn():
                        idle()
                except Exception as error:  # the one place: a logger that stops is worth nothing
                    failure = error  # reported inside the try, so that a failing report does not end the loop either
        finally:
            self.stop()

    def stop(self):
        self.sampler.stop()
        self.mark.stop()
        self.reference.stop()
        self.feedback.stop()
        self.store.close()

    def turn(self):
        """Do a little of everything; say whether there was anything to do."""
        self.clock.now_us()
        self._poll_buttons()
        busy = self.tracker.drain(_SAMPLES_A_TURN)
        self.presses.catch_attitudes()
        busy = self._listen() or busy
        busy = self.console.send() or busy
        busy = self._write_watched() or busy
        self.feedback.poll()
        return busy

    @property
    def quiet(self):
        """True when the flash may be written without endangering a press."""
        return not (self.presses.waiting or self.mark.unsettled or self.reference.unsettled)

    def _listen(self):
        # While an answer is under way nothing is read: requests are answered one after another.
        for count in range(_BYTES_A_TURN):
            byte = -1 if self.console.answering else self.console.byte()
            if byte < 0:
                return count > 0
            request = self._sentences.feed(byte)
            if request:
                tag, words = request
                self.console.answer(commands.answer(self, tag, words, self.clock.now_us()))
        return True

    # --- presses and the flight number

    def _poll_buttons(self):
        for kind, button in ((records.MARK, self.mark), (records.REFERENCE, self.reference)):
            for event, ticks in button.poll():
                if event == buttons.PRESS:
                    self._press(kind, records.FROM_BUTTON, ticks)
                elif event == buttons.GLITCH:
                    self._note(records.WARNING, "a button edge shorter than a press at %d us" % self.clock.at_us(ticks))
                elif kind == records.REFERENCE:
                    self.change_flight(self.store.flight + 1, records.NEXT_BY_HOLD)
                    self.feedback.play(feedback.SKIPPED)

    def press_by_command(self, kind):
        self.clock.now_us()
        self._press(kind, records.FROM_COMMAND, ticks_us())

    def _press(self, kind, source, ticks):
        self.feedback.play(feedback.TICK)
        active = self.active
        if kind == records.REFERENCE:
            if self.store.marked:
                self.change_flight(self.store.flight + 1, records.NEXT_BY_REFERENCE)
            before_ms, after_ms = active["reference_before_ms"], active["reference_after_ms"]
        else:
            self.store.marked = True
            before_ms, after_ms = active["before_ms"], active["after_ms"]
        press = Press(kind, source, self.store.flight, ticks, self.clock.at_us(ticks))
        self.presses.add(press, before_ms, after_ms)

    def change_flight(self, number, cause):
        """Set the flight number; the record follows when the flash is free."""
        before = self.store.flight
        self.store.flight = number if number <= 9999 else 1
        self.store.marked = False
        self._changes.append(records.flight(self.clock.now_us(), before, self.store.flight, cause))

    def adopt(self, wanted):
        self.wanted = wanted
        for key in settings.AT_ONCE:
            self.active[key] = wanted[key]

    # --- writing

    def _write_watched(self):
        """Write something, and tell the buttons when their edges may have had to wait for the flash."""
        start = ticks_us()
        try:
            return self._write_something()
        finally:
            end = ticks_us()
            self.mark.was_deaf(start, end)
            self.reference.was_deaf(start, end)

    def _write_something(self):
        if self.mark.unsettled or self.reference.unsettled:
            return False
        if self._changes and not self.presses.writing and (self.presses.due or self.quiet):
            # Before the presses that carry the new number: a restart reads the log in order.
            self._write(records.FLIGHT, self._changes.pop(0))  # not again where the flash refuses: every press has its number, too
            return True
        if self.presses.due:
            return self._write_press()
        if not self.quiet:
            return False
        if (self._notes or self._health_due()) and self.store.room() < 0:
            self._notes.clear()  # the reserve is for presses
            self._health_us = self.clock.now_us()
            return False
        if self._notes:
            self._write(records.NOTE, self._notes.pop(0))
            return True
        now = self.clock.now_us()
        if self._health_due():
            self._health_us = now
            self._write(records.HEALTH, status.health_record(self))
            return True
        return self._revive_imu(now)

    def _health_due(self):
        """Once a minute while the unit rests, for the gap of an erase costs nothing then; more seldom while it moves."""
        since_us = self.clock.now_us() - self._health_us
        return since_us >= (_HEALTH_US if self.tracker.attitude.still.since_us >= 0 else _LATEST_HEALTH_US)

    def _write_press(self):
        given_up = self.presses.failed
        try:
            saved = self.presses.write(status.temperature_cdeg(self))
        finally:
            if self.presses.failed > given_up:
                self.feedback.play(feedback.TROUBLE)
        if saved:
            self._play_with_warning(feedback.SAVED)
            if saved.bare:
                self.last_error = "flash full: the press at %d us has no window" % saved.t_us
        return True

    def _play_with_warning(self, pattern):
        few = status.flights_left(self) < _FEW_FLIGHTS
        self.feedback.play(pattern + feedback.FEW_LEFT if few else pattern)

    def _write(self, kind, payload):
        self.store.append(kind, payload)
        self.store.flush()

    def _note(self, severity, text):
        if len(self._notes) < _MOST_NOTES:
            self._notes.append(records.note(self.clock.now_us(), severity, text))

    def _revive_imu(self, now):
        """Look for the sensor again when it has been silent for half a second."""
        silent = self.imu is None or self.sampler.failures > self.active["rate_hz"] // 2
        if not silent or now - self._retry_us < _RETRY_US:
            return False
        self._retry_us = now
        was_there = self.imu is not None
        self.sampler.stop()
        self._start_imu()
        if was_there or self.imu:
            self._note(records.WARNING, "sensor lost and looked for again: %s" % status.imu_name(self))
        return True

    def _report(self, error):
        text = io.StringIO()
        sys.print_exception(error, text)
        said = text.getvalue()
        now = self.clock.now_us()
        self.console.abandon()
        # The same error every turn would fill the flash.
        if said != self.last_error or now - self._error_us >= _SAME_ERROR_US:
            self.last_error = said
            self._error_us = now
            self._note(records.ERROR, said)
            self.feedback.play(feedback.TROUBLE)
