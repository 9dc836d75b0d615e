"""Light and sound for the observer. A pattern is a list of steps; poll() walks along it and never waits."""

from machine import PWM, Pin
from time import ticks_add, ticks_diff, ticks_ms

# (milliseconds, light, tone in Hz; 0 is silence)
TICK = ((20, 1, 2000),)
SAVED = ((60, 1, 3000), (60, 1, 0), (60, 1, 3000), (820, 1, 0))
FEW_LEFT = ((150, 1, 1200), (150, 1, 900), (150, 1, 600))  # falling: after READY or SAVED, the flash is nearly full
SKIPPED = ((150, 1, 1500), (80, 0, 0), (150, 1, 1500))
TROUBLE = ((500, 1, 400), (200, 0, 0), (500, 1, 400))
READY = ((80, 1, 2000), (80, 1, 2500), (80, 1, 3000))
LOCATE = ((250, 1, 2500), (250, 0, 0)) * 4
_LOUD = 32768  # half of the period: loudest for a piezo


class Feedback:
    def __init__(self, led, buzzer, sound):
        self._led = Pin(led, Pin.OUT)
        self._pwm = PWM(Pin(buzzer))
        self._sound = sound
        self._steps = ()
        self._next = 0
        self._until = 0
        self._show(0, 0)

    def play(self, pattern):
        """Begin a pattern at the next poll(); what was playing is cut off."""
        self._steps = pattern
        self._next = 0
        self._until = ticks_ms()

    def poll(self):
        if self._steps and ticks_diff(ticks_ms(), self._until) >= 0:
            if self._next == len(self._steps):
                self.stop()
                return
            milliseconds, light, tone = self._steps[self._next]
            self._next += 1
            self._until = ticks_add(ticks_ms(), milliseconds)
            self._show(light, tone)

    def stop(self):
        self._steps = ()
        self._show(0, 0)

    def _show(self, light, tone_hz):
        self._led.value(light)
        if tone_hz and self._sound:
            self._pwm.freq(tone_hz)
            self._pwm.duty_u16(_LOUD)
        else:
            self._pwm.duty_u16(0)
